-- From a lot, batch, station, sowing or a member's work to every delivery, and back; and recalls.

-- What was drawn for a batch or a sowing, by lot and by who drew it; other movements cost a trace nothing.
create index movement_traced_by_lot on movement (cooperative_id, lot_id) include (id, sowing_id, batch_id)
 where kind = 'issue' and num_nonnulls(sowing_id, batch_id) > 0;
create index movement_traced_by_member on movement (cooperative_id, member_id, happened_at) include (id, sowing_id, batch_id)
 where kind = 'issue' and num_nonnulls(sowing_id, batch_id) > 0;
-- what was drawn without saying for what: a trace ends there and says so
create index movement_untied_by_lot on movement (cooperative_id, lot_id)
 where kind = 'issue' and num_nonnulls(sowing_id, batch_id) = 0;
-- solution poured at a station without saying for which sowing
create index batch_entry_of_station on batch_entry (cooperative_id, station_id, happened_at)
 where kind = 'use' and sowing_id is null;
create index batch_entry_of_member on batch_entry (cooperative_id, member_id, happened_at);
create index batch_begun_by on batch (cooperative_id, begun_by, begun_at);
create index sowing_event_of_member on sowing_event (cooperative_id, member_id, recorded_at) where kind in ('sown', 'sprouted');
create index cut_of_member on cut (cooperative_id, member_id, recorded_at);
create index delivery_handed_over_by on delivery (cooperative_id, handed_over_by, handed_over_at) where handed_over_by is not null;

-- What is suspect, why, and where it stands. What it affects is traced when it is drafted, and again when asked.
create table recall (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  title text not null check (length(title) between 1 and 200),
  why text not null check (length(why) between 1 and 1000),
  suspect_kind text not null check (suspect_kind in ('lot', 'batch', 'station', 'sowing', 'member', 'cut', 'delivery')),
  suspect_id uuid not null,
  -- what it was called when the recall was drafted
  suspect_name text not null check (length(suspect_name) between 1 and 300),
  -- of a station or a member's work: between which days
  first_day date,
  last_day date,
  state text not null default 'draft' check (state in ('draft', 'under_way', 'closed')),
  -- counts the traces; the deliveries of the last one are those affected
  revision integer not null default 1 check (revision > 0),
  drafted_by uuid not null,
  drafted_at timestamptz not null,
  started_at timestamptz,
  closed_at timestamptz,
  outcome text not null default '' check (length(outcome) <= 1000),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint recall_identity unique (cooperative_id, id),
  constraint recall_drafted_by foreign key (cooperative_id, drafted_by) references member (cooperative_id, id),
  constraint recall_days check (first_day is null or last_day is null or last_day >= first_day),
  constraint recall_started check ((state = 'draft') = (started_at is null)),
  constraint recall_closed check ((state = 'closed') = (closed_at is not null))
);
call protect_rows('recall');
call keep_versions('recall');

-- What a trace found: a delivery and how much of it is suspect.
create table recall_delivery (
  id uuid primary key,
  cooperative_id uuid not null,
  recall_id uuid not null,
  revision integer not null,
  delivery_id uuid not null,
  recipient_id uuid not null,
  milligrams bigint not null check (milligrams >= 0),
  recorded_at timestamptz not null,
  constraint recall_delivery_recall foreign key (cooperative_id, recall_id) references recall (cooperative_id, id),
  constraint recall_delivery_delivery foreign key (cooperative_id, delivery_id) references delivery (cooperative_id, id),
  constraint recall_delivery_recipient foreign key (cooperative_id, recipient_id) references recipient (cooperative_id, id),
  constraint recall_delivery_once unique (cooperative_id, recall_id, revision, delivery_id)
);
call protect_rows('recall_delivery');
call keep_history('recall_delivery');

-- A recipient who is to be told, by whom, and when that was done.
create table recall_notice (
  id uuid primary key,
  cooperative_id uuid not null,
  recall_id uuid not null,
  recipient_id uuid not null,
  assigned_to uuid,
  told_at timestamptz,
  told_by uuid,
  -- what was told: the trace that it rested on, so that a later one shows who must be told again
  told_revision integer,
  told_milligrams bigint,
  note text not null default '' check (length(note) <= 1000),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint recall_notice_identity unique (cooperative_id, id),
  constraint recall_notice_once unique (cooperative_id, recall_id, recipient_id),
  constraint recall_notice_recall foreign key (cooperative_id, recall_id) references recall (cooperative_id, id),
  constraint recall_notice_recipient foreign key (cooperative_id, recipient_id) references recipient (cooperative_id, id),
  constraint recall_notice_assigned_to foreign key (cooperative_id, assigned_to) references member (cooperative_id, id),
  constraint recall_notice_told_by foreign key (cooperative_id, told_by) references member (cooperative_id, id),
  constraint recall_notice_told check (num_nulls(told_at, told_by, told_revision, told_milligrams) in (0, 4))
);
create index recall_notice_assigned on recall_notice (cooperative_id, assigned_to) where assigned_to is not null;
call protect_rows('recall_notice');
call keep_versions('recall_notice');

-- What was done about a recall, in order.
create table recall_entry (
  id uuid primary key,
  cooperative_id uuid not null,
  recall_id uuid not null,
  kind text not null check (kind in ('drafted', 'traced', 'started', 'assigned', 'told', 'closed')),
  member_id uuid not null,
  recorded_at timestamptz not null,
  detail jsonb not null default '{}',
  constraint recall_entry_recall foreign key (cooperative_id, recall_id) references recall (cooperative_id, id),
  constraint recall_entry_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
create index recall_entry_of_recall on recall_entry (cooperative_id, recall_id, id);
call protect_rows('recall_entry');
call keep_history('recall_entry');
