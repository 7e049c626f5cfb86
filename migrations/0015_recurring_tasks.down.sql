drop index task_of_recurring;
drop table recurring_task_exception;
drop table recurring_task;
