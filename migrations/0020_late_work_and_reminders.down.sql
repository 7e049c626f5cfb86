alter table notice_choice drop column reminder_minutes_ahead;

drop trigger wake_work on work_report;
create constraint trigger wake_work after insert on work_report
  deferrable initially deferred for each row
  when (new.state = 'counted' and (not new.whole or new.outcome ? 'plain_water'))
  execute function wake_work_of_row();

create or replace function keep_work_report() returns trigger
language plpgsql
as $$
begin
  if tg_op = 'DELETE' or old.state <> 'waiting'
     or (new.id, new.cooperative_id, new.site_id, new.task_id, new.member_id, new.done_at, new.recorded_at, new.whole, new.outcome, new.conflict, new.conflict_detail)
        is distinct from
        (old.id, old.cooperative_id, old.site_id, old.task_id, old.member_id, old.done_at, old.recorded_at, old.whole, old.outcome, old.conflict, old.conflict_detail) then
    raise exception using
      errcode = 'restrict_violation', constraint = 'append_only',
      message = 'a report of work stays as it was reported and is settled once';
  end if;
  return new;
end $$;

alter table work_report drop column entered;
alter table work_report drop constraint work_report_work_entered, drop column work_entered;
