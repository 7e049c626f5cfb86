drop procedure wake_work_on;
drop function wake_work_of_row cascade;
drop function wake_every_site;
drop function wake_site_work;
drop index job_site_work_once;
alter table task drop column dropped_by_rules;
drop table site_work;
drop table task_rule;
