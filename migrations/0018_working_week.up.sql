-- What members see in a working week: when it was last looked at what runs low, and when tasks that
-- people made by hand count as missed.

-- rows of every co-operative are changed
set local cotyl.system = 'on';

-- The last day, by the clock of its oldest site, on which a co-operative was told what runs low.
create table low_stock_look (
  cooperative_id uuid primary key,
  looked_on date not null,
  constraint low_stock_look_cooperative foreign key (cooperative_id) references cooperative (id)
);
call protect_rows('low_stock_look');

-- like work that comes again by agreement: a day after it was due
update task set missed_after = due_at + interval '1 day'
 where occasion like 'by\_hand:%' and missed_after is null and state in ('open', 'held');

-- what was poured in as plain water, and the containers that a part of the work left, stand in the report
create constraint trigger wake_work after insert on work_report
  deferrable initially deferred for each row
  when (new.state = 'counted' and (not new.whole or new.outcome ? 'plain_water'))
  execute function wake_work_of_row();
