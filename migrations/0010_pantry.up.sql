-- From the cut to the pantry: what the scale showed, waste, cold stores, disputes, terms, and what is
-- left out of learning.

alter table member_group add constraint member_group_in_cooperative unique (cooperative_id, id);

alter table cut
  -- the tray with what is in it, and the empty tray, where both were weighed
  add column gross_milligrams bigint,
  add column tare_milligrams bigint,
  -- trimmings and spoiled leaves of the same cut, weighed apart; never part of the weight
  add column waste_milligrams bigint not null default 0 check (waste_milligrams between 0 and 1000000000000),
  -- why a weight past what is plausible is true all the same
  add column accepted_because text check (length(accepted_because) between 1 and 300),
  -- the class or club that cut it
  add column group_id uuid,
  add constraint cut_tare check (
    num_nulls(gross_milligrams, tare_milligrams) = 2
    or num_nulls(gross_milligrams, tare_milligrams) = 0 and tare_milligrams >= 0 and milligrams = gross_milligrams - tare_milligrams),
  add constraint cut_group foreign key (cooperative_id, group_id) references member_group (cooperative_id, id);

alter table cut_correction add column waste_change_milligrams bigint not null default 0;

-- Waste cannot become less than nothing; writers queue at the cut, then count.
create function guard_cut_waste() returns trigger
language plpgsql
as $$
declare
  waste bigint;
begin
  perform 1 from cut where id = new.cut_id for no key update;
  select c.waste_milligrams + coalesce(sum(k.waste_change_milligrams), 0) into waste
    from cut c left join cut_correction k on k.cooperative_id = c.cooperative_id and k.cut_id = c.id
   where c.id = new.cut_id group by c.waste_milligrams;
  if waste < 0 then
    raise exception using
      errcode = 'check_violation', constraint = 'cut_waste',
      message = 'the waste of a cut cannot weigh less than nothing';
  end if;
  return null;
end $$;
create trigger guard_cut_waste after insert on cut_correction for each row execute function guard_cut_waste();

-- What came out poor is waste: it is handed to nobody.
create function refuse_poor_cut() returns trigger
language plpgsql
as $$
begin
  if exists (select from cut where id = new.cut_id and quality = 'poor') then
    raise exception using
      errcode = 'check_violation', constraint = 'delivery_line_of_poor_cut',
      message = 'a cut of poor quality is waste and goes into no delivery';
  end if;
  return new;
end $$;
create trigger refuse_poor_cut before insert on delivery_line for each row execute function refuse_poor_cut();

-- Temperatures of cut greens where they are held: of one tray, or of the store of a site.
create table cold_reading (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  cut_id uuid,
  temperature_decicelsius integer not null check (temperature_decicelsius between -500 and 600),
  -- by the clock of whoever read it, and when the server heard of it
  read_at timestamptz not null,
  recorded_at timestamptz not null,
  member_id uuid not null,
  note text not null default '' check (length(note) <= 300),
  -- the mistaken reading in whose place this one stands
  corrects_id uuid,
  constraint cold_reading_identity unique (cooperative_id, id),
  constraint cold_reading_corrected_once unique (cooperative_id, corrects_id),
  constraint cold_reading_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint cold_reading_cut foreign key (cooperative_id, cut_id) references cut (cooperative_id, id),
  constraint cold_reading_member foreign key (cooperative_id, member_id) references member (cooperative_id, id),
  constraint cold_reading_corrects foreign key (cooperative_id, corrects_id) references cold_reading (cooperative_id, id)
);
create index cold_reading_of_site on cold_reading (cooperative_id, site_id, id);
create index cold_reading_of_cut on cold_reading (cooperative_id, cut_id, id);
call protect_rows('cold_reading');
call keep_history('cold_reading');

-- The recipient says that something else came than is written down.
create table delivery_dispute (
  id uuid primary key,
  cooperative_id uuid not null,
  delivery_id uuid not null,
  reason text not null check (length(reason) between 1 and 1000),
  member_id uuid not null,
  recorded_at timestamptz not null,
  constraint delivery_dispute_identity unique (cooperative_id, id),
  constraint delivery_dispute_delivery foreign key (cooperative_id, delivery_id) references delivery (cooperative_id, id),
  constraint delivery_dispute_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
create index delivery_dispute_of_delivery on delivery_dispute (cooperative_id, delivery_id, id);
call protect_rows('delivery_dispute');
call keep_history('delivery_dispute');

-- What the recipient's scale showed of a line.
create table delivery_dispute_line (
  cooperative_id uuid not null,
  dispute_id uuid not null,
  delivery_line_id uuid not null,
  found_milligrams bigint not null check (found_milligrams between 0 and 1000000000000),
  constraint delivery_dispute_line_once primary key (cooperative_id, dispute_id, delivery_line_id),
  constraint delivery_dispute_line_dispute foreign key (cooperative_id, dispute_id) references delivery_dispute (cooperative_id, id),
  constraint delivery_dispute_line_line foreign key (cooperative_id, delivery_line_id) references delivery_line (cooperative_id, id)
);
call protect_rows('delivery_dispute_line');
call keep_history('delivery_dispute_line');

-- How the co-operative answers: it corrects lines by entries that name the dispute, or says why not.
create table delivery_dispute_answer (
  id uuid primary key,
  cooperative_id uuid not null,
  dispute_id uuid not null,
  outcome text not null check (outcome in ('corrected', 'rejected')),
  statement text not null check (length(statement) between 1 and 300),
  member_id uuid not null,
  recorded_at timestamptz not null,
  constraint delivery_dispute_answered_once unique (cooperative_id, dispute_id),
  constraint delivery_dispute_answer_dispute foreign key (cooperative_id, dispute_id) references delivery_dispute (cooperative_id, id),
  constraint delivery_dispute_answer_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
call protect_rows('delivery_dispute_answer');
call keep_history('delivery_dispute_answer');

alter table delivery_correction
  add column dispute_id uuid,
  add constraint delivery_correction_dispute foreign key (cooperative_id, dispute_id) references delivery_dispute (cooperative_id, id);

-- Whether a dispute of a delivery is not answered.
create function open_dispute(of_cooperative uuid, of_delivery uuid) returns boolean
language sql stable
as $$
  select exists (
    select from delivery_dispute d
     where d.cooperative_id = of_cooperative and d.delivery_id = of_delivery
       and not exists (select from delivery_dispute_answer a
                        where a.cooperative_id = d.cooperative_id and a.dispute_id = d.id))
$$;

-- One open dispute of a delivery at a time: writers queue at the delivery, then look.
create function guard_open_dispute() returns trigger
language plpgsql
as $$
begin
  perform 1 from delivery where id = new.delivery_id for no key update;
  if (select count(*) from delivery_dispute d
       where d.delivery_id = new.delivery_id
         and not exists (select from delivery_dispute_answer a
                          where a.cooperative_id = d.cooperative_id and a.dispute_id = d.id)) > 1 then
    raise exception using
      errcode = 'check_violation', constraint = 'delivery_dispute_open_once',
      message = 'an earlier dispute of this delivery is still open';
  end if;
  return null;
end $$;
create trigger guard_open_dispute after insert on delivery_dispute for each row execute function guard_open_dispute();

-- A named span of days that the co-operative reports by.
create table term (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  name text not null check (length(name) between 1 and 200),
  first_day date not null,
  last_day date not null,
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint term_identity unique (cooperative_id, id),
  constraint term_days check (last_day >= first_day and last_day - first_day <= 1000)
);
create unique index term_name_taken on term (cooperative_id, lower(name)) where retired_at is null;
call protect_rows('term');
call keep_versions('term');

-- The day on which the co-operative's funding year begins; one that every year has.
alter table cooperative
  add column funding_year_month integer not null default 1 check (funding_year_month between 1 and 12),
  add column funding_year_day integer not null default 1,
  add constraint cooperative_funding_year check (
    funding_year_day between 1 and (array[31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])[funding_year_month]);

-- A figure of a sowing that a coordinator leaves out of learning.
create table learning_veto (
  id uuid primary key,
  cooperative_id uuid not null,
  sowing_id uuid not null,
  quantity text not null check (quantity in ('days', 'grams', 'survival')),
  reason text not null check (length(reason) between 1 and 300),
  member_id uuid not null,
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint learning_veto_sowing foreign key (cooperative_id, sowing_id) references sowing (cooperative_id, id),
  constraint learning_veto_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
create unique index learning_veto_once on learning_veto (cooperative_id, sowing_id, quantity) where retired_at is null;
call protect_rows('learning_veto');
call keep_versions('learning_veto');
