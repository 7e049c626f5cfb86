-- Work of any cause, and what was done: tasks of stations, batches, stock, recipients, recurring rules
-- and by hand beside those of sowings.

-- rows of every co-operative are moved
set local cotyl.system = 'on';

alter table task
  alter column sowing_id drop not null,
  -- what the task answers, such as sowing:<id>:cut:2; whoever derives it again finds it by this
  add column occasion text,
  add column station_id uuid,
  add column batch_id uuid,
  add column stock_item_id uuid,
  add column recipient_id uuid,
  -- the key of the rule that it comes from
  add column rule text check (length(rule) between 1 and 100),
  -- what the task is called when its kind does not say it
  add column title text check (length(title) between 1 and 200),
  add column note text not null default '' check (length(note) <= 2000),
  -- figures of the work: litres, containers and the like
  add column detail jsonb not null default '{}',
  -- when it counts as missed if it was not done; never, where this is null
  add column missed_after timestamptz,
  add column missed_at timestamptz,
  -- what was done, as told at the end
  add column outcome jsonb,
  -- who made it by hand
  add column created_by uuid;

update task set occasion = case when cut_number > 0
  then format('sowing:%s:%s:%s', sowing_id, kind, cut_number)
  else format('sowing:%s:%s', sowing_id, kind) end;

alter table task
  alter column occasion set not null,
  drop constraint task_of_sowing_once,
  drop constraint task_kind_check,
  add constraint task_kind_check check (kind in (
    'sow', 'mist', 'check_germination', 'top_up', 'measure', 'mix', 'adjust', 'cut', 'clear_and_clean',
    'turn', 'count', 'pack', 'deliver', 'other')),
  add constraint task_occasion_length check (length(occasion) between 1 and 200),
  add constraint task_occasion_once unique (cooperative_id, occasion),
  add constraint task_other_has_title check (kind <> 'other' or title is not null),
  add constraint task_of_growing check (
    sowing_id is not null or kind not in ('sow', 'mist', 'check_germination', 'cut', 'clear_and_clean')),
  add constraint task_missed check ((state = 'missed') = (missed_at is not null)),
  add constraint task_station foreign key (cooperative_id, site_id, station_id) references station (cooperative_id, site_id, id),
  add constraint task_batch foreign key (cooperative_id, batch_id) references batch (cooperative_id, id),
  add constraint task_stock_item foreign key (cooperative_id, stock_item_id) references stock_item (cooperative_id, id),
  add constraint task_recipient foreign key (cooperative_id, recipient_id) references recipient (cooperative_id, id),
  add constraint task_created_by foreign key (cooperative_id, created_by) references member (cooperative_id, id);
create index task_of_sowing on task (cooperative_id, sowing_id) where sowing_id is not null;
create index task_to_miss on task (missed_after) where state in ('open', 'held') and missed_after is not null;

alter table claim
  -- when the holder said that they are at it
  add column begun_at timestamptz,
  -- who gave them the task, where they did not take it themselves
  add column assigned_by uuid,
  drop constraint claim_end_kind_check,
  add constraint claim_end_kind_check check (end_kind in (
    'released', 'finished', 'dropped', 'lapsed', 'handed_over', 'reassigned')),
  add constraint claim_assigned_by foreign key (cooperative_id, assigned_by) references member (cooperative_id, id);

-- What a meter showed at a station or in a sowing; those of batches are entries of the batch.
create table reading (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  station_id uuid not null,
  sowing_id uuid,
  measured_at timestamptz not null,
  recorded_at timestamptz not null,
  member_id uuid not null,
  ph_hundredths integer check (ph_hundredths between 0 and 1400),
  -- conductivity at 25 degrees Celsius
  microsiemens_per_centimetre integer check (microsiemens_per_centimetre between 0 and 100000),
  temperature_decicelsius integer check (temperature_decicelsius between -50 and 600),
  note text not null default '' check (length(note) <= 1000),
  -- the reading that this one puts right
  corrects uuid,
  task_id uuid,
  constraint reading_identity unique (cooperative_id, id),
  constraint reading_says_something check (num_nonnulls(ph_hundredths, microsiemens_per_centimetre, temperature_decicelsius) > 0),
  constraint reading_corrected_once unique (cooperative_id, corrects),
  constraint reading_station foreign key (cooperative_id, site_id, station_id) references station (cooperative_id, site_id, id),
  constraint reading_sowing foreign key (cooperative_id, sowing_id) references sowing (cooperative_id, id),
  constraint reading_member foreign key (cooperative_id, member_id) references member (cooperative_id, id),
  constraint reading_corrects foreign key (cooperative_id, corrects) references reading (cooperative_id, id),
  constraint reading_task foreign key (cooperative_id, task_id) references task (cooperative_id, id)
);
create index reading_of_station on reading (cooperative_id, station_id, measured_at);
call protect_rows('reading');
call keep_history('reading');
