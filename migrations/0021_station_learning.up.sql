-- What a coordinator decides about what all crops at a station have in common.
create table station_learning_choice (
  id uuid primary key,
  cooperative_id uuid not null,
  station_id uuid not null,
  quantity text not null constraint station_learning_choice_quantity check (quantity in ('days', 'grams', 'survival')),
  -- the station's part is held at this value
  held_permille integer constraint station_learning_choice_value check (held_permille between 1 and 10000),
  -- or sowings of any crop there before this day are forgotten
  forget_before date,
  note text not null default '' constraint station_learning_choice_note check (length(note) <= 300),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint station_learning_choice_identity unique (cooperative_id, id),
  constraint station_learning_choice_station foreign key (cooperative_id, station_id) references station (cooperative_id, id),
  constraint station_learning_choice_one check ((held_permille is null) <> (forget_before is null)),
  -- shares of different crops have none in common
  constraint station_learning_choice_no_share check (quantity <> 'survival' or held_permille is null)
);
create unique index station_learning_choice_held_once
  on station_learning_choice (cooperative_id, station_id, quantity)
  where retired_at is null and held_permille is not null;
call protect_rows('station_learning_choice');
call keep_versions('station_learning_choice');

-- A look at a site finds out whether something else is learned now.
call wake_work_on('station_learning_choice');
