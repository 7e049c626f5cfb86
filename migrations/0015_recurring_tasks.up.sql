-- Work that comes again by a rule, and single times of it that were moved or left out.

create table recurring_task (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  station_id uuid,
  title text not null check (length(title) between 1 and 200),
  note text not null default '' check (length(note) <= 2000),
  people integer not null check (people between 1 and 100),
  minutes integer not null check (minutes between 0 and 100000),
  qualification text check (qualification in ('concentrates', 'food_handling')),
  -- by the clock of the site, resolved anew each time: zones change
  starts_at timestamp not null,
  window_minutes integer not null check (window_minutes between 1 and 10080),
  rule text not null check (length(rule) between 1 and 500),
  -- what becomes of a time on a day on which the site is closed
  on_closed_day text not null check (on_closed_day in ('skip', 'bring_forward', 'flag')),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  -- when the rule was ended
  retired_at timestamptz,
  constraint recurring_task_identity unique (cooperative_id, id),
  constraint recurring_task_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint recurring_task_station foreign key (cooperative_id, site_id, station_id) references station (cooperative_id, site_id, id)
);
create index recurring_task_of_site on recurring_task (cooperative_id, site_id) where retired_at is null;
call protect_rows('recurring_task');
call keep_versions('recurring_task');

-- The newest entry of a time counts.
create table recurring_task_exception (
  id uuid primary key,
  cooperative_id uuid not null,
  recurring_task_id uuid not null,
  -- the time by the rule, by the clock of the site
  occurs_at timestamp not null,
  kind text not null check (kind in ('moved', 'left_out', 'restored')),
  moved_to timestamp,
  cause text not null check (length(cause) between 1 and 300),
  member_id uuid not null,
  recorded_at timestamptz not null,
  constraint recurring_task_exception_of foreign key (cooperative_id, recurring_task_id) references recurring_task (cooperative_id, id),
  constraint recurring_task_exception_member foreign key (cooperative_id, member_id) references member (cooperative_id, id),
  constraint recurring_task_exception_moved check ((kind = 'moved') = (moved_to is not null))
);
create index recurring_task_exception_of_time on recurring_task_exception (cooperative_id, recurring_task_id, occurs_at, id);
call protect_rows('recurring_task_exception');
call keep_history('recurring_task_exception');

-- the tasks of one rule, by the beginning of what they answer
create index task_of_recurring on task (cooperative_id, occasion collate "C") where occasion like 'recurring:%';
