-- What a late report tells is entered in the records when a lead accepts it, unless only its minutes are;
-- and members choose how long before their work they are reminded of it.

alter table work_report
  -- whether a lead had the work of an accepted report entered, and not its minutes alone
  add column work_entered boolean not null default false,
  add constraint work_report_work_entered check (not work_entered or state = 'accepted');
-- whether what it tells stands in the records
alter table work_report
  add column entered boolean not null generated always as (state = 'counted' or work_entered) stored;

-- What was reported stays as it was; its settlement is added, once, with the ids of the entries that were
-- made of it.
create or replace function keep_work_report() returns trigger
language plpgsql
as $$
begin
  if tg_op = 'DELETE' or old.state <> 'waiting'
     or (new.id, new.cooperative_id, new.site_id, new.task_id, new.member_id, new.done_at, new.recorded_at, new.whole, new.conflict, new.conflict_detail)
        is distinct from
        (old.id, old.cooperative_id, old.site_id, old.task_id, old.member_id, old.done_at, old.recorded_at, old.whole, old.conflict, old.conflict_detail)
     or not new.outcome @> old.outcome
     or (new.outcome <> old.outcome and not new.work_entered) then
    raise exception using
      errcode = 'restrict_violation', constraint = 'append_only',
      message = 'a report of work stays as it was reported and is settled once';
  end if;
  return new;
end $$;

-- plain water and containers done stand in the report, whenever it comes to count
drop trigger wake_work on work_report;
create constraint trigger wake_work after insert or update on work_report
  deferrable initially deferred for each row
  when (new.entered and (not new.whole or new.outcome ? 'plain_water'))
  execute function wake_work_of_row();

-- minutes before the work opens; a day is usual
alter table notice_choice
  add column reminder_minutes_ahead integer not null default 1440
    constraint notice_choice_reminder check (reminder_minutes_ahead between 30 and 10080);
