-- Sites, stations, crops, and what has been promised to whom.

create table site (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  name text not null check (length(name) between 1 and 200),
  zone text not null,
  -- [{"weekday": 1..7, "opens": "HH:MM", "closes": "HH:MM"}], checked by the calendar rules
  opening_hours jsonb not null,
  weekly_minutes integer check (weekly_minutes between 0 and 100000),
  weekly_mixing_microlitres bigint check (weekly_mixing_microlitres >= 0),
  most_sowings_per_week integer check (most_sowings_per_week between 0 and 10000),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint site_identity unique (cooperative_id, id)
);
create unique index site_name_taken on site (cooperative_id, lower(name)) where retired_at is null;
call protect_rows('site');
call keep_versions('site');

create table closure (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  first_day date not null,
  last_day date not null,
  reason text not null check (length(reason) between 1 and 300),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint closure_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint closure_days check (last_day >= first_day and last_day - first_day <= 1000)
);
create index closure_of_site on closure (cooperative_id, site_id);
call protect_rows('closure');
call keep_versions('closure');

create table member_group (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  name text not null check (length(name) between 1 and 200),
  head_count integer not null check (head_count between 1 and 1000),
  led_by uuid not null,
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint member_group_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint member_group_led_by foreign key (cooperative_id, led_by) references member (cooperative_id, id)
);
create unique index member_group_name_taken on member_group (cooperative_id, lower(name)) where retired_at is null;
call protect_rows('member_group');
call keep_versions('member_group');

create table container_kind (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  name text not null check (length(name) between 1 and 200),
  volume_microlitres bigint not null check (volume_microlitres > 0),
  fill_microlitres bigint not null,
  refill_limit_microlitres bigint not null,
  plants_per_container integer not null check (plants_per_container between 1 and 1000),
  yield_permille integer not null default 1000 check (yield_permille between 1 and 100000),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint container_kind_identity unique (cooperative_id, id),
  constraint container_kind_fill check (fill_microlitres between 1 and volume_microlitres),
  constraint container_kind_refill check (refill_limit_microlitres between 0 and fill_microlitres)
);
create unique index container_kind_name_taken on container_kind (cooperative_id, lower(name)) where retired_at is null;
call protect_rows('container_kind');
call keep_versions('container_kind');

create table station (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  container_kind_id uuid not null,
  name text not null check (length(name) between 1 and 200),
  method text not null check (method in ('passive', 'aerated')),
  places integer not null check (places between 1 and 10000),
  -- [{"first_week": 1..53, "last_week": 1..53, "temperature_celsius": n, "daily_light_mol": n}], weeks of the ISO year, all covered
  environment jsonb not null,
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint station_identity unique (cooperative_id, id),
  constraint station_of_one_site unique (cooperative_id, site_id, id),
  constraint station_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint station_container_kind foreign key (cooperative_id, container_kind_id) references container_kind (cooperative_id, id)
);
create unique index station_name_taken on station (cooperative_id, site_id, lower(name)) where retired_at is null;
call protect_rows('station');
call keep_versions('station');

-- A period in which some or all places of a station cannot be used.
create table station_outage (
  id uuid primary key,
  cooperative_id uuid not null,
  station_id uuid not null,
  first_day date not null,
  last_day date not null,
  places integer not null check (places between 1 and 10000),
  reason text not null check (length(reason) between 1 and 300),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint station_outage_station foreign key (cooperative_id, station_id) references station (cooperative_id, id),
  constraint station_outage_days check (last_day >= first_day and last_day - first_day <= 1000)
);
create index station_outage_of_station on station_outage (cooperative_id, station_id);
call protect_rows('station_outage');
call keep_versions('station_outage');

create table crop_group (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  name text not null check (length(name) between 1 and 200),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint crop_group_identity unique (cooperative_id, id)
);
create unique index crop_group_name_taken on crop_group (cooperative_id, lower(name)) where retired_at is null;
call protect_rows('crop_group');
call keep_versions('crop_group');

create table crop (
  id uuid primary key,
  cooperative_id uuid not null,
  crop_group_id uuid not null,
  name text not null check (length(name) between 1 and 200),
  -- the growth profile, checked by the growth rules
  profile jsonb not null,
  -- field of the profile -> where its figure comes from
  sources jsonb not null default '{}',
  -- [{"station_id", "days_to_first_cut", "days_to_regrow"}]: what the co-operative knows of its own benches
  station_days jsonb not null default '[]',
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint crop_identity unique (cooperative_id, id),
  constraint crop_crop_group foreign key (cooperative_id, crop_group_id) references crop_group (cooperative_id, id)
);
create unique index crop_name_taken on crop (cooperative_id, lower(name)) where retired_at is null;
call protect_rows('crop');
call keep_versions('crop');

create table recipient (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  name text not null check (length(name) between 1 and 200),
  kind text not null check (kind in ('pantry', 'kitchen', 'families')),
  contact text not null default '' check (length(contact) <= 500),
  -- ISO weekdays on which it receives produce
  delivery_weekdays smallint[] not null check (array_length(delivery_weekdays, 1) between 1 and 7 and delivery_weekdays <@ array[1,2,3,4,5,6,7]::smallint[]),
  -- days that cut greens may wait for the next delivery
  keep_days integer not null default 2 check (keep_days between 0 and 14),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint recipient_identity unique (cooperative_id, id)
);
create unique index recipient_name_taken on recipient (cooperative_id, lower(name)) where retired_at is null;
call protect_rows('recipient');
call keep_versions('recipient');

create table pledge (
  id uuid primary key,
  cooperative_id uuid not null,
  recipient_id uuid not null,
  crop_id uuid,
  crop_group_id uuid,
  weekly_milligrams bigint not null check (weekly_milligrams between 1 and 1000000000000),
  -- Mondays of the first and last ISO week
  first_monday date not null check (extract(isodow from first_monday) = 1),
  last_monday date not null check (extract(isodow from last_monday) = 1),
  priority integer not null default 1 check (priority between 1 and 9),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint pledge_identity unique (cooperative_id, id),
  constraint pledge_recipient foreign key (cooperative_id, recipient_id) references recipient (cooperative_id, id),
  constraint pledge_crop foreign key (cooperative_id, crop_id) references crop (cooperative_id, id),
  constraint pledge_crop_group foreign key (cooperative_id, crop_group_id) references crop_group (cooperative_id, id),
  constraint pledge_of_one_thing check (num_nonnulls(crop_id, crop_group_id) = 1),
  constraint pledge_weeks check (last_monday >= first_monday and last_monday - first_monday <= 3650)
);
create index pledge_of_recipient on pledge (cooperative_id, recipient_id);
call protect_rows('pledge');
call keep_versions('pledge');

-- A role of a member: over the whole co-operative, at one site, or for one recipient.
create table role_grant (
  id uuid primary key,
  cooperative_id uuid not null,
  member_id uuid not null,
  role text not null check (role in ('coordinator', 'lead', 'volunteer', 'reader')),
  site_id uuid,
  recipient_id uuid,
  created_at timestamptz not null default now(),
  constraint role_grant_member foreign key (cooperative_id, member_id) references member (cooperative_id, id),
  constraint role_grant_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint role_grant_recipient foreign key (cooperative_id, recipient_id) references recipient (cooperative_id, id),
  constraint role_grant_scope check (
    case role
      when 'coordinator' then site_id is null and recipient_id is null
      when 'reader' then site_id is null and recipient_id is not null
      else site_id is not null and recipient_id is null
    end),
  constraint role_grant_once unique nulls not distinct (cooperative_id, member_id, role, site_id, recipient_id)
);
call protect_rows('role_grant');
