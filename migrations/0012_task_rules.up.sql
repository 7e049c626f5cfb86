-- Work that comes by itself: what co-operatives change of its rules, when each site was looked at, and
-- what makes it be looked at again.

-- Only what differs from the defaults of the program; an empty change is the default again.
create table task_rule (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  rule text not null check (length(rule) between 1 and 40),
  change jsonb not null check (jsonb_typeof(change) = 'object'),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint task_rule_identity unique (cooperative_id, id),
  constraint task_rule_once unique (cooperative_id, rule)
);
call protect_rows('task_rule');
call keep_versions('task_rule');

-- When the work of a site is to be looked at again, come what may: at the start of its next day.
create table site_work (
  site_id uuid primary key,
  cooperative_id uuid not null,
  -- counts the looks, so that one made on older facts is told from the last
  looks bigint not null default 1,
  looked_at timestamptz not null,
  next_look_at timestamptz not null,
  constraint site_work_site foreign key (cooperative_id, site_id) references site (cooperative_id, id)
);
create index site_work_next on site_work (next_look_at);
call protect_rows('site_work');

-- Dropped because the rules no longer wanted it: it comes back when they want it again.
alter table task add column dropped_by_rules boolean not null default false;

-- One look at a site waits in the queue, however many causes there are.
create unique index job_site_work_once on job (cooperative_id, (payload->>'site_id'))
  where kind = 'site_work' and state = 'queued';

-- Queues a look at the work of a site. Whoever finds one in the queue holds on to it until the end of
-- its own transaction, so that no worker takes it before there is something to see.
create function wake_site_work(of_cooperative uuid, of_site uuid) returns void
language plpgsql
as $$
declare
  woken constant text := coalesce(current_setting('cotyl.woken_sites', true), '');
begin
  if position(of_site::text in woken) > 0 then
    return;
  end if;
  perform 1 from job
    where cooperative_id = of_cooperative and payload->>'site_id' = of_site::text and kind = 'site_work' and state = 'queued'
    for share;
  if not found then
    insert into job (id, cooperative_id, kind, payload, run_at, most_attempts)
         values (gen_random_uuid(), of_cooperative, 'site_work', jsonb_build_object('site_id', of_site), '-infinity', 1000)
    on conflict (cooperative_id, (payload->>'site_id')) where kind = 'site_work' and state = 'queued'
    do update set run_at = excluded.run_at;
  end if;
  perform set_config('cotyl.woken_sites', woken || of_site::text, true);
end $$;

create function wake_every_site(of_cooperative uuid) returns void
language plpgsql
as $$
declare
  woken uuid;
begin
  for woken in select id from site where cooperative_id = of_cooperative and retired_at is null order by id loop
    perform wake_site_work(of_cooperative, woken);
  end loop;
end $$;

-- The site of a row, by what the row has: its own id, a site, a station, a sowing or a batch; a row
-- with none of them concerns every site.
create function wake_work_of_row() returns trigger
language plpgsql
as $$
declare
  changed constant jsonb := to_jsonb(new);
  woken uuid := case when tg_table_name = 'site' then (changed->>'id')::uuid else (changed->>'site_id')::uuid end;
begin
  if woken is null and changed->>'station_id' is not null then
    select site_id into woken from station where id = (changed->>'station_id')::uuid;
  elsif woken is null and changed->>'sowing_id' is not null then
    select site_id into woken from sowing where id = (changed->>'sowing_id')::uuid;
  elsif woken is null and changed->>'batch_id' is not null then
    select site_id into woken from batch where id = (changed->>'batch_id')::uuid;
  end if;
  if woken is not null then
    perform wake_site_work(new.cooperative_id, woken);
  else
    perform wake_every_site(new.cooperative_id);
  end if;
  return null;
end $$;

-- At the end of the transaction: the queue comes last in the order of locks.
create procedure wake_work_on(changed regclass)
language plpgsql
as $$
begin
  execute format(
    'create constraint trigger wake_work after insert or update on %s
       deferrable initially deferred for each row execute function wake_work_of_row()', changed);
end $$;
call wake_work_on('site');
call wake_work_on('closure');
call wake_work_on('station');
call wake_work_on('station_outage');
call wake_work_on('container_kind');
call wake_work_on('crop');
call wake_work_on('recipient');
call wake_work_on('pledge');
call wake_work_on('sowing');
call wake_work_on('sowing_event');
call wake_work_on('cut');
call wake_work_on('delivery');
call wake_work_on('batch');
call wake_work_on('batch_entry');
call wake_work_on('level_reading');
call wake_work_on('reading');
call wake_work_on('stock_count');
call wake_work_on('task_rule');

-- Work that is done may bring the next; work that was written down or moved brings none.
create constraint trigger wake_work after update of state on task
  deferrable initially deferred for each row when (new.state = 'done' and old.state <> 'done')
  execute function wake_work_of_row();
