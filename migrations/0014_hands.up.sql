-- Who can help when, what one member may hold, and what was reported of the work.

-- When a member can help: hours of an ordinary week by the clock of the site where the work is, and days away.
create table availability (
  id uuid primary key,
  cooperative_id uuid not null,
  member_id uuid not null,
  -- [{"weekday": "monday", "opens": "15:00", "closes": "17:00"}], as opening hours are written
  free_hours jsonb not null default '[]',
  -- [{"first_day": day, "last_day": day}]
  days_away jsonb not null default '[]',
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint availability_of_member_once unique (cooperative_id, member_id),
  constraint availability_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
call protect_rows('availability');
call keep_versions('availability');

-- How a co-operative shares its work; one that has said nothing has no row.
create table work_settings (
  cooperative_id uuid primary key references cooperative,
  -- tasks that one member may hold at once
  most_claims integer not null check (most_claims between 1 and 100),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now()
);
call protect_rows('work_settings');
call keep_versions('work_settings');

-- A hold may be offered to somebody else, who has it once they say yes.
alter table claim
  add column offered_to uuid,
  add column offered_at timestamptz,
  add constraint claim_offered_to foreign key (cooperative_id, offered_to) references member (cooperative_id, id),
  add constraint claim_offered check ((offered_to is null) = (offered_at is null)),
  add constraint claim_offered_to_another check (offered_to <> member_id);
create index claim_offered on claim (cooperative_id, offered_to) where ended_at is null and offered_to is not null;

-- When a hold that was not begun comes free: at the due time of the task, and two hours after it was taken
-- where that was later than the due time.
create function claim_comes_free_at(claimed_at timestamptz, begun_at timestamptz, due_at timestamptz) returns timestamptz
language sql immutable
as $$
  select case when begun_at is not null then 'infinity'::timestamptz
              when claimed_at < due_at then due_at
              else claimed_at + interval '2 hours' end
$$;

-- Holds of one member at an instant.
create function claims_held(of_cooperative uuid, of_member uuid, at timestamptz) returns bigint
language sql stable
as $$
  select count(*) from claim c
    join task t on t.cooperative_id = c.cooperative_id and t.id = c.task_id
   where c.cooperative_id = of_cooperative and c.member_id = of_member and c.ended_at is null
     and t.state in ('open', 'held') and claim_comes_free_at(c.claimed_at, c.begun_at, t.due_at) > at
$$;

create function most_claims(of_cooperative uuid) returns integer
language sql stable
as $$
  select coalesce((select s.most_claims from work_settings s where s.cooperative_id = of_cooperative), 10)
$$;

-- Whoever writes at the same moment: claims of one member queue at their row, then are counted.
create function guard_claims_held() returns trigger
language plpgsql
as $$
declare
  held bigint;
  most integer;
begin
  perform from member where cooperative_id = new.cooperative_id and id = new.member_id for no key update;
  held := claims_held(new.cooperative_id, new.member_id, new.claimed_at);
  most := most_claims(new.cooperative_id);
  if held > most then
    raise exception using
      errcode = 'check_violation', constraint = 'claims_held_at_once',
      message = format('%s claims where %s are allowed', held, most),
      detail = format('{"most": %s}', most);
  end if;
  return null;
end $$;
create trigger guard_claims_held after insert on claim
  for each row execute function guard_claims_held();

-- What a member reported of a task. It counts at once, or, where something stood against it, waits for a lead.
create table work_report (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  task_id uuid not null,
  member_id uuid not null,
  -- by the clock of the one who did it, and when the server heard of it
  done_at timestamptz not null,
  recorded_at timestamptz not null,
  -- whether it finishes the task or does a part of it
  whole boolean not null,
  -- what was done, in the words of the API
  outcome jsonb not null,
  state text not null check (state in ('counted', 'waiting', 'accepted', 'set_aside')),
  -- what stood against it: the last part of a problem type, and words
  conflict text check (length(conflict) between 1 and 100),
  conflict_detail text check (length(conflict_detail) <= 1000),
  settled_by uuid,
  settled_at timestamptz,
  reason text check (length(reason) <= 300),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint work_report_identity unique (cooperative_id, id),
  constraint work_report_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint work_report_task foreign key (cooperative_id, task_id) references task (cooperative_id, id),
  constraint work_report_member foreign key (cooperative_id, member_id) references member (cooperative_id, id),
  constraint work_report_settled_by foreign key (cooperative_id, settled_by) references member (cooperative_id, id),
  constraint work_report_conflict check ((state = 'counted') = (conflict is null)),
  constraint work_report_settled check ((state in ('accepted', 'set_aside')) = (settled_at is not null) and (settled_at is null) = (settled_by is null)),
  constraint work_report_reason check (state <> 'set_aside' or length(reason) > 0)
);
create index work_report_of_task on work_report (cooperative_id, task_id, id);
create index work_report_of_site on work_report (cooperative_id, site_id, id);
call protect_rows('work_report');
call keep_versions('work_report');

-- What was reported stays as it was; only its settlement is added, once.
create function keep_work_report() returns trigger
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
create trigger keep_work_report before update or delete on work_report
  for each row execute function keep_work_report();
