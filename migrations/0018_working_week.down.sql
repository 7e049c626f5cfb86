drop trigger wake_work on work_report;
drop table low_stock_look;
