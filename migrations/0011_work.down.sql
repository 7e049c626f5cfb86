-- rows of every co-operative are moved
set local cotyl.system = 'on';
drop table reading;
delete from claim where task_id in (select id from task where sowing_id is null or kind not in ('sow', 'check_germination', 'cut', 'clear_and_clean'));
delete from task where sowing_id is null or kind not in ('sow', 'check_germination', 'cut', 'clear_and_clean');
alter table claim
  drop column begun_at,
  drop column assigned_by,
  drop constraint claim_end_kind_check;
update claim set end_kind = 'released' where end_kind in ('lapsed', 'handed_over', 'reassigned');
alter table claim
  add constraint claim_end_kind_check check (end_kind in ('released', 'finished', 'dropped'));
drop index task_of_sowing, task_to_miss;
alter table task
  drop constraint task_kind_check,
  drop constraint task_other_has_title,
  drop constraint task_of_growing,
  drop constraint task_occasion_once,
  drop column occasion,
  drop column station_id,
  drop column batch_id,
  drop column stock_item_id,
  drop column recipient_id,
  drop column rule,
  drop column title,
  drop column note,
  drop column detail,
  drop column missed_after,
  drop column missed_at,
  drop column outcome,
  drop column created_by,
  alter column sowing_id set not null,
  add constraint task_kind_check check (kind in ('sow', 'check_germination', 'cut', 'clear_and_clean')),
  add constraint task_of_sowing_once unique (cooperative_id, sowing_id, kind, cut_number);
