drop table low_stock_look;
