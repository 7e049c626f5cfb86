-- What people are told by mail, what each wants to be told, and their calendar feeds.

-- What a member wants to be told, and when not; without a row the usual kinds at any time.
create table notice_choice (
  cooperative_id uuid not null,
  member_id uuid not null,
  kinds text[] not null check (kinds <@ array['reminder', 'task_free', 'low_stock', 'week_at_risk', 'week_summary']),
  -- by the clock of the zone; past midnight where the second is not later
  quiet_from time,
  quiet_to time,
  -- that of their site, where it is not said
  zone text check (length(zone) between 1 and 60),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  primary key (cooperative_id, member_id),
  constraint notice_choice_member foreign key (cooperative_id, member_id) references member (cooperative_id, id),
  constraint notice_choice_quiet check ((quiet_from is null) = (quiet_to is null))
);
call protect_rows('notice_choice');
call keep_versions('notice_choice');

-- One mail to one member, written in the transaction that causes it and sent by a worker.
create table notice (
  id uuid primary key,
  cooperative_id uuid not null,
  member_id uuid not null,
  kind text not null check (kind in ('invitation', 'password_reset', 'reminder', 'task_free', 'low_stock', 'week_at_risk', 'week_summary')),
  -- what it tells of: nobody is told the same twice
  about text not null check (length(about) between 1 and 200),
  subject text not null check (length(subject) between 1 and 200),
  body text not null check (length(body) <= 20000),
  -- the link whose token is put into the mail as it is sent; never kept
  link_id uuid,
  state text not null default 'waiting' check (state in ('waiting', 'leased', 'sent', 'given_up', 'withdrawn')),
  due_at timestamptz not null,
  -- from when on nobody needs it any more
  expires_at timestamptz not null,
  attempts integer not null default 0,
  lease_id uuid,
  lease_until timestamptz,
  failure text check (length(failure) <= 500),
  sent_at timestamptz,
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint notice_member foreign key (cooperative_id, member_id) references member (cooperative_id, id),
  constraint notice_told_once unique (cooperative_id, member_id, kind, about),
  constraint notice_lease check ((state = 'leased') = (lease_id is not null)),
  constraint notice_sent check ((state = 'sent') = (sent_at is not null))
);
create index notice_waiting on notice (due_at, id) where state in ('waiting', 'leased');
create index notice_of_member on notice (cooperative_id, member_id, id);
call protect_rows('notice');
call keep_versions('notice');

-- A calendar that programs read by a secret address; only the hash of the secret is kept.
create table calendar_feed (
  id uuid primary key,
  cooperative_id uuid not null,
  member_id uuid not null,
  secret_hash bytea not null unique,
  with_open_tasks boolean not null,
  created_at timestamptz not null,
  revoked_at timestamptz,
  constraint calendar_feed_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
create unique index calendar_feed_once on calendar_feed (cooperative_id, member_id) where revoked_at is null;
call protect_rows('calendar_feed');
