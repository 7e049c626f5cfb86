-- What a coordinator decides about figures that are learned from the record of sowings.
create table learning_choice (
  id uuid primary key,
  cooperative_id uuid not null,
  crop_id uuid not null,
  -- null for the crop wherever it grows
  station_id uuid,
  quantity text not null check (quantity in ('days', 'grams', 'survival')),
  -- the figure is held at this value
  held_permille integer check (held_permille between 1 and 10000),
  -- or sowings before this day are forgotten
  forget_before date,
  note text not null default '' check (length(note) <= 300),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint learning_choice_identity unique (cooperative_id, id),
  constraint learning_choice_crop foreign key (cooperative_id, crop_id) references crop (cooperative_id, id),
  constraint learning_choice_station foreign key (cooperative_id, station_id) references station (cooperative_id, id),
  constraint learning_choice_one check ((held_permille is null) <> (forget_before is null)),
  constraint learning_choice_share check (quantity <> 'survival' or held_permille is null or held_permille <= 1000)
);
create unique index learning_choice_held_once
  on learning_choice (cooperative_id, crop_id, coalesce(station_id, '00000000-0000-0000-0000-000000000000'::uuid), quantity)
  where retired_at is null and held_permille is not null;
call protect_rows('learning_choice');
call keep_versions('learning_choice');
