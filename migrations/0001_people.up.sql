-- The co-operative, its people, how they sign in, and the records every change leaves behind.
-- No table name is qualified: the schema in force is the connection's own.

-- The co-operative a transaction works for; unset means none, so a forgotten setting shows nothing.
create function current_cooperative() returns uuid
language sql stable parallel safe
as $$ select nullif(current_setting('cotyl.cooperative', true), '')::uuid $$;

-- Work that belongs to no single co-operative: sign-in before the member is known, leasing jobs.
create function in_system_scope() returns boolean
language sql stable parallel safe
as $$ select coalesce(current_setting('cotyl.system', true), '') = 'on' $$;

-- Row-level security for a table with a cooperative_id column; the owner is bound by it too.
create procedure protect_rows(protected regclass)
language plpgsql
as $$
begin
  execute format('alter table %s enable row level security', protected);
  execute format('alter table %s force row level security', protected);
  execute format(
    'create policy own_cooperative on %s
       using (cooperative_id = (select current_cooperative()) or (select in_system_scope()))
       with check (cooperative_id = (select current_cooperative()) or (select in_system_scope()))',
    protected);
end $$;

-- Every change of a record counts its version up: the strong entity tag of the API.
create function count_version() returns trigger
language plpgsql
as $$
begin
  new.version := old.version + 1;
  new.updated_at := now();
  return new;
end $$;

create procedure keep_versions(versioned regclass)
language plpgsql
as $$
begin
  execute format('create trigger count_version before update on %s for each row execute function count_version()', versioned);
end $$;

-- History is corrected by further entries, never rewritten.
create function refuse_rewriting() returns trigger
language plpgsql
as $$
begin
  raise exception using
    errcode = 'restrict_violation', constraint = 'append_only',
    message = format('%s is append-only', tg_table_name);
end $$;

create procedure keep_history(append_only regclass)
language plpgsql
as $$
begin
  execute format('create trigger refuse_rewriting before update or delete on %s for each row execute function refuse_rewriting()', append_only);
end $$;

create table cooperative (
  id uuid primary key,
  name text not null check (length(name) between 1 and 200),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now()
);
alter table cooperative enable row level security;
alter table cooperative force row level security;
create policy own_cooperative on cooperative
  using (id = (select current_cooperative()) or (select in_system_scope()))
  with check (id = (select current_cooperative()) or (select in_system_scope()));
call keep_versions('cooperative');

create table member (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  name text not null check (length(name) between 1 and 200),
  email text not null check (email = lower(email) and length(email) between 3 and 254),
  password_hash text,
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint member_identity unique (cooperative_id, id)
);
create index member_email on member (email);
-- whoever left may come back under the same address
create unique index member_email_taken on member (cooperative_id, email) where retired_at is null;
call protect_rows('member');
call keep_versions('member');

create table qualification (
  id uuid primary key,
  cooperative_id uuid not null,
  member_id uuid not null,
  kind text not null check (kind in ('concentrates', 'food_handling')),
  issued_on date not null,
  expires_on date,
  note text not null default '' check (length(note) <= 1000),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint qualification_member foreign key (cooperative_id, member_id) references member (cooperative_id, id),
  constraint qualification_dates check (expires_on is null or expires_on >= issued_on)
);
create index qualification_of_member on qualification (cooperative_id, member_id);
call protect_rows('qualification');
call keep_versions('qualification');

-- A link handed to one person: an invitation or a password reset. Only its hash is kept.
create table link_token (
  id uuid primary key,
  cooperative_id uuid not null,
  member_id uuid not null,
  purpose text not null check (purpose in ('invitation', 'password_reset')),
  token_hash bytea not null unique,
  expires_at timestamptz not null,
  used_at timestamptz,
  created_at timestamptz not null default now(),
  constraint link_token_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
call protect_rows('link_token');

-- A sign-in on one device; its refresh tokens form a family that ends as a whole.
create table session (
  id uuid primary key,
  cooperative_id uuid not null,
  member_id uuid not null,
  device text not null default '' check (length(device) <= 300),
  created_at timestamptz not null default now(),
  ended_at timestamptz,
  end_reason text check (end_reason in ('signed_out', 'reused_token', 'password_changed', 'member_retired', 'expired')),
  constraint session_identity unique (cooperative_id, id),
  constraint session_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
create index session_of_member on session (cooperative_id, member_id) where ended_at is null;
call protect_rows('session');

create table refresh_token (
  id uuid primary key,
  cooperative_id uuid not null,
  session_id uuid not null,
  token_hash bytea not null unique,
  issued_at timestamptz not null,
  expires_at timestamptz not null,
  used_at timestamptz,
  constraint refresh_token_session foreign key (cooperative_id, session_id) references session (cooperative_id, id)
);
create index refresh_token_of_session on refresh_token (session_id);
call protect_rows('refresh_token');

-- Keys that sign access tokens; readable in system scope only.
create table signing_key (
  id uuid primary key,
  private_key bytea not null,
  public_key bytea not null,
  created_at timestamptz not null default now(),
  retired_at timestamptz
);
alter table signing_key enable row level security;
alter table signing_key force row level security;
create policy system_only on signing_key using ((select in_system_scope())) with check ((select in_system_scope()));

-- The answer of a request made with an idempotency key, replayed for 48 hours.
create table idempotent_answer (
  cooperative_id uuid not null references cooperative,
  member_id uuid not null,
  key text not null check (length(key) between 1 and 200),
  operation text not null,
  request_hash bytea not null,
  answer jsonb,
  created_at timestamptz not null default now(),
  primary key (cooperative_id, member_id, key)
);
create index idempotent_answer_age on idempotent_answer (created_at);
call protect_rows('idempotent_answer');

-- Who did what, when, from which device. No secret and no password in it.
create table audit_entry (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  at timestamptz not null,
  member_id uuid,
  operation text not null,
  noun text not null,
  noun_id uuid,
  device text not null default '',
  request_id text not null default '',
  change jsonb not null default '{}'
);
create index audit_entry_of_noun on audit_entry (cooperative_id, noun_id);
call protect_rows('audit_entry');
call keep_history('audit_entry');

-- Work done outside the request path; leased, extended by a heartbeat, recorded once.
create table job (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  kind text not null,
  payload jsonb not null,
  state text not null default 'queued' check (state in ('queued', 'leased', 'done', 'failed', 'cancelled')),
  run_at timestamptz not null,
  attempts integer not null default 0,
  most_attempts integer not null default 3,
  lease_id uuid,
  lease_until timestamptz,
  cancel_requested_at timestamptz,
  progress jsonb,
  failure text,
  created_at timestamptz not null default now(),
  finished_at timestamptz,
  constraint job_identity unique (cooperative_id, id),
  constraint job_lease check ((state = 'leased') = (lease_id is not null))
);
create index job_waiting on job (run_at) where state in ('queued', 'leased');
call protect_rows('job');
