-- Plans, sowings and the tasks they bring.

create table plan (
  id uuid primary key,
  cooperative_id uuid not null,
  job_id uuid,
  name text not null check (length(name) between 1 and 200),
  first_monday date not null check (extract(isodow from first_monday) = 1),
  weeks integer not null check (weeks between 1 and 104),
  seed bigint not null,
  work_limit bigint not null check (work_limit >= 0),
  time_limit_seconds integer not null check (time_limit_seconds between 1 and 600),
  solving text not null default 'waiting' check (solving in ('waiting', 'solving', 'solved', 'failed', 'cancelled')),
  state text not null default 'draft' check (state in ('draft', 'adopted', 'superseded', 'withdrawn')),
  -- what the plan was made from: noun -> sum of record versions
  inputs jsonb,
  -- everything the plan was made from, as it stood then
  season jsonb,
  answer jsonb,
  objective_e4 bigint,
  bound_e4 bigint,
  failure text,
  requested_by uuid not null,
  solved_at timestamptz,
  adopted_at timestamptz,
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint plan_identity unique (cooperative_id, id),
  constraint plan_job foreign key (cooperative_id, job_id) references job (cooperative_id, id),
  constraint plan_requested_by foreign key (cooperative_id, requested_by) references member (cooperative_id, id),
  constraint plan_adopted_when_solved check (state not in ('adopted', 'superseded') or solving = 'solved')
);
create unique index plan_adopted_once on plan (cooperative_id) where state = 'adopted';
call protect_rows('plan');
call keep_versions('plan');

-- Containers of one crop at one station sown on one day.
create table sowing (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  station_id uuid not null,
  crop_id uuid not null,
  plan_id uuid,
  containers integer not null check (containers between 1 and 10000),
  sow_on date not null,
  -- the places are free again from this day
  free_on date not null,
  planned_cuts date[] not null default '{}',
  -- whole sowing, one figure a planned cut
  expected_milligrams bigint[] not null default '{}',
  state text not null default 'planned' check (state in ('planned', 'sown', 'sprouted', 'cutting', 'cleared', 'lost')),
  sown_on date,
  sprouted_on date,
  cleared_on date,
  lost_on date,
  lost_cause text check (length(lost_cause) <= 300),
  note text not null default '' check (length(note) <= 1000),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint sowing_identity unique (cooperative_id, id),
  constraint sowing_station foreign key (cooperative_id, site_id, station_id) references station (cooperative_id, site_id, id),
  constraint sowing_crop foreign key (cooperative_id, crop_id) references crop (cooperative_id, id),
  constraint sowing_plan foreign key (cooperative_id, plan_id) references plan (cooperative_id, id),
  constraint sowing_days check (free_on >= sow_on and free_on - sow_on <= 1000),
  constraint sowing_cuts check (cardinality(planned_cuts) = cardinality(expected_milligrams)),
  constraint sowing_lost check ((state = 'lost') = (lost_on is not null and lost_cause is not null))
);
create index sowing_of_station on sowing (cooperative_id, station_id, free_on);
create index sowing_of_plan on sowing (cooperative_id, plan_id);
create index sowing_of_site on sowing (cooperative_id, site_id, id);
call protect_rows('sowing');
call keep_versions('sowing');

-- A state never goes back; a mistake is corrected by an entry.
create function refuse_going_back() returns trigger
language plpgsql
as $$
declare
  steps constant text[] := array['planned', 'sown', 'sprouted', 'cutting', 'cleared'];
begin
  if new.state = old.state then
    return new;
  end if;
  if old.state in ('cleared', 'lost')
     or (new.state <> 'lost' and array_position(steps, new.state) < array_position(steps, old.state)) then
    raise exception using
      errcode = 'check_violation', constraint = 'sowing_state_forward',
      message = format('a sowing cannot go from %s to %s', old.state, new.state);
  end if;
  return new;
end $$;
create trigger refuse_going_back before update of state on sowing
  for each row execute function refuse_going_back();

-- The most places of a station in use on any day of a period: sowings and outages together. With
-- standing_only, sowings that have ended are left out, and outages that meet no other sowing: what
-- was there once does not keep a station from being made smaller.
create function most_places_used(of_station uuid, first_day date, end_day date, standing_only boolean default false) returns bigint
language sql stable
as $$
  with sown as (
    select sow_on as first_day, free_on as end_day, containers as places
      from sowing where station_id = of_station and free_on > sow_on
       and (not standing_only or state not in ('cleared', 'lost'))
  ), held as (
    select * from sown
    union all
    select o.first_day, o.last_day + 1, o.places
      from station_outage o where o.station_id = of_station and o.retired_at is null
       and (not standing_only or exists (
         select from sown s where s.first_day <= o.last_day and s.end_day > o.first_day))
  ), edges as (
    select greatest(h.first_day, most_places_used.first_day) as day from held h
     where h.first_day < most_places_used.end_day and h.end_day > most_places_used.first_day
  )
  select coalesce(max((
    select sum(h.places) from held h where h.first_day <= e.day and h.end_day > e.day
  )), 0) from (select distinct day from edges) e
$$;

-- Whoever writes at the same moment: writers of one station queue at its row, then count.
create function guard_station_places() returns trigger
language plpgsql
as $$
declare
  watched uuid;
  room integer;
  used bigint;
  from_day date;
  to_day date;
begin
  if tg_table_name = 'station' then
    watched := new.id; room := new.places; from_day := '-infinity'; to_day := 'infinity';
  else
    watched := new.station_id;
    select places into room from station where id = watched for no key update;
    if tg_table_name = 'sowing' then
      from_day := new.sow_on; to_day := new.free_on;
    else
      from_day := new.first_day; to_day := new.last_day + 1;
    end if;
  end if;
  used := most_places_used(watched, from_day, to_day, tg_table_name = 'station');
  if used > room then
    raise exception using
      errcode = 'check_violation', constraint = 'station_places',
      message = format('%s containers in %s places', used, room),
      detail = format('{"used": %s, "places": %s}', used, room);
  end if;
  return null;
end $$;
create trigger guard_station_places after insert or update of station_id, containers, sow_on, free_on on sowing
  for each row execute function guard_station_places();
create trigger guard_station_places after insert or update of station_id, first_day, last_day, places, retired_at on station_outage
  for each row execute function guard_station_places();
create trigger guard_station_places after update of places on station
  for each row when (new.places < old.places) execute function guard_station_places();

-- What happened to a sowing, in order; corrections name what they correct.
create table sowing_event (
  id uuid primary key,
  cooperative_id uuid not null,
  sowing_id uuid not null,
  kind text not null check (kind in ('planned', 'sown', 'sprouted', 'cut', 'cleared', 'lost', 'moved', 'corrected', 'noted')),
  happened_on date not null,
  recorded_at timestamptz not null,
  member_id uuid not null,
  detail jsonb not null default '{}',
  constraint sowing_event_sowing foreign key (cooperative_id, sowing_id) references sowing (cooperative_id, id),
  constraint sowing_event_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
create index sowing_event_of_sowing on sowing_event (cooperative_id, sowing_id, id);
call protect_rows('sowing_event');
call keep_history('sowing_event');

-- Work at a site within a window.
create table task (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  kind text not null check (kind in ('sow', 'check_germination', 'cut', 'clear_and_clean')),
  sowing_id uuid not null,
  -- which cut, for cutting; 0 for the others
  cut_number integer not null default 0,
  -- the local day the work belongs to, and its window as instants
  day date not null,
  opens_at timestamptz not null,
  due_at timestamptz not null,
  people integer not null default 1 check (people between 1 and 100),
  minutes integer not null check (minutes between 0 and 100000),
  qualification text check (qualification in ('concentrates', 'food_handling')),
  state text not null default 'open' check (state in ('open', 'held', 'done', 'missed', 'dropped')),
  cause text check (length(cause) <= 300),
  -- when the person did it, by their own clock, and when the server heard of it
  done_at timestamptz,
  recorded_done_at timestamptz,
  done_by uuid,
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint task_identity unique (cooperative_id, id),
  constraint task_of_sowing_once unique (cooperative_id, sowing_id, kind, cut_number),
  constraint task_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint task_sowing foreign key (cooperative_id, sowing_id) references sowing (cooperative_id, id),
  constraint task_done_by foreign key (cooperative_id, done_by) references member (cooperative_id, id),
  constraint task_window check (due_at >= opens_at),
  constraint task_done check ((state = 'done') = (done_at is not null))
);
create index task_to_do on task (cooperative_id, site_id, due_at, id) where state in ('open', 'held');
create index task_by_due on task (cooperative_id, due_at, id);
call protect_rows('task');
call keep_versions('task');

-- One member's hold on one place of a task; ended holds are kept as history.
create table claim (
  id uuid primary key,
  cooperative_id uuid not null,
  task_id uuid not null,
  member_id uuid not null,
  place integer not null check (place between 1 and 100),
  claimed_at timestamptz not null,
  ended_at timestamptz,
  end_kind text check (end_kind in ('released', 'finished', 'dropped')),
  version bigint not null default 1,
  updated_at timestamptz not null default now(),
  constraint claim_identity unique (cooperative_id, id),
  constraint claim_task foreign key (cooperative_id, task_id) references task (cooperative_id, id),
  constraint claim_member foreign key (cooperative_id, member_id) references member (cooperative_id, id),
  constraint claim_ended check ((ended_at is null) = (end_kind is null))
);
create unique index claim_place_held_once on claim (task_id, place) where ended_at is null;
create unique index claim_once_per_member on claim (task_id, member_id) where ended_at is null;
create index claim_of_member on claim (cooperative_id, member_id) where ended_at is null;
call protect_rows('claim');
call keep_versions('claim');
