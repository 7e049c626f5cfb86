alter table plan drop column count_stock;
