drop table store_line, store_lot;
drop trigger keep_stores on movement;
drop trigger guard_reversal on movement;
drop function keep_store;
drop function keep_stores;
drop function guard_reversal;
drop table movement, count_line, stock_count, lot, stock_order, container_supply, stock_item, product;
