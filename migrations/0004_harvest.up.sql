-- Cuts, deliveries and their corrections: weights that stay true.

create table cut (
  id uuid primary key,
  cooperative_id uuid not null,
  sowing_id uuid not null,
  number integer not null check (number between 1 and 100),
  cut_on date not null,
  milligrams bigint not null check (milligrams between 0 and 1000000000000),
  quality text not null check (quality in ('good', 'fair', 'poor')),
  tray_code text not null check (length(tray_code) between 1 and 40),
  member_id uuid not null,
  task_id uuid,
  recorded_at timestamptz not null,
  constraint cut_identity unique (cooperative_id, id),
  constraint cut_tray_code_taken unique (cooperative_id, tray_code),
  constraint cut_sowing foreign key (cooperative_id, sowing_id) references sowing (cooperative_id, id),
  constraint cut_member foreign key (cooperative_id, member_id) references member (cooperative_id, id),
  constraint cut_task foreign key (cooperative_id, task_id) references task (cooperative_id, id)
);
create index cut_of_sowing on cut (cooperative_id, sowing_id, number);
create index cut_by_day on cut (cooperative_id, cut_on);
call protect_rows('cut');
call keep_history('cut');

create table cut_correction (
  id uuid primary key,
  cooperative_id uuid not null,
  cut_id uuid not null,
  -- what is added to the weight; negative when too much was written down
  change_milligrams bigint not null,
  reason text not null check (length(reason) between 1 and 300),
  member_id uuid not null,
  recorded_at timestamptz not null,
  constraint cut_correction_cut foreign key (cooperative_id, cut_id) references cut (cooperative_id, id),
  constraint cut_correction_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
create index cut_correction_of_cut on cut_correction (cooperative_id, cut_id);
call protect_rows('cut_correction');
call keep_history('cut_correction');

create table delivery (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  recipient_id uuid not null,
  state text not null default 'packed' check (state in ('packed', 'handed_over', 'confirmed')),
  packed_on date not null,
  handed_over_on date,
  -- when it was handed over, by the clock of whoever did it, and when the server heard of it
  handed_over_at timestamptz,
  hand_over_recorded_at timestamptz,
  handed_over_by uuid,
  received_by text check (length(received_by) between 1 and 200),
  temperature_decicelsius integer check (temperature_decicelsius between -500 and 600),
  confirmed_at timestamptz,
  confirmed_by uuid,
  remark text not null default '' check (length(remark) <= 1000),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint delivery_identity unique (cooperative_id, id),
  constraint delivery_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint delivery_recipient foreign key (cooperative_id, recipient_id) references recipient (cooperative_id, id),
  constraint delivery_handed_over_by foreign key (cooperative_id, handed_over_by) references member (cooperative_id, id),
  constraint delivery_confirmed_by foreign key (cooperative_id, confirmed_by) references member (cooperative_id, id),
  constraint delivery_hand_over check (state = 'packed' or num_nulls(handed_over_on, handed_over_at, hand_over_recorded_at, received_by) = 0),
  constraint delivery_confirmation check ((state = 'confirmed') = (confirmed_at is not null))
);
create index delivery_of_recipient on delivery (cooperative_id, recipient_id, id);
create index delivery_by_day on delivery (cooperative_id, handed_over_on);
call protect_rows('delivery');
call keep_versions('delivery');

create table delivery_line (
  id uuid primary key,
  cooperative_id uuid not null,
  delivery_id uuid not null,
  cut_id uuid not null,
  milligrams bigint not null check (milligrams > 0),
  recorded_at timestamptz not null,
  constraint delivery_line_identity unique (cooperative_id, id),
  constraint delivery_line_delivery foreign key (cooperative_id, delivery_id) references delivery (cooperative_id, id),
  constraint delivery_line_cut foreign key (cooperative_id, cut_id) references cut (cooperative_id, id)
);
create index delivery_line_of_delivery on delivery_line (cooperative_id, delivery_id);
create index delivery_line_of_cut on delivery_line (cooperative_id, cut_id);
call protect_rows('delivery_line');
call keep_history('delivery_line');

create table delivery_correction (
  id uuid primary key,
  cooperative_id uuid not null,
  delivery_line_id uuid not null,
  change_milligrams bigint not null check (change_milligrams <> 0),
  reason text not null check (length(reason) between 1 and 300),
  member_id uuid not null,
  recorded_at timestamptz not null,
  constraint delivery_correction_line foreign key (cooperative_id, delivery_line_id) references delivery_line (cooperative_id, id),
  constraint delivery_correction_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
create index delivery_correction_of_line on delivery_correction (cooperative_id, delivery_line_id);
call protect_rows('delivery_correction');
call keep_history('delivery_correction');

-- What a cut weighs now, and how much of it has been put into deliveries.
create view cut_balance with (security_invoker = true) as
select c.cooperative_id, c.id as cut_id,
       c.milligrams + coalesce((select sum(k.change_milligrams) from cut_correction k
                          where k.cooperative_id = c.cooperative_id and k.cut_id = c.id), 0)::bigint as milligrams,
       coalesce((
         select sum(l.milligrams + coalesce((select sum(k.change_milligrams) from delivery_correction k
                                        where k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id), 0))
           from delivery_line l where l.cooperative_id = c.cooperative_id and l.cut_id = c.id
       ), 0)::bigint as delivered_milligrams
  from cut c;

-- The sum delivered from a cut never exceeds what was cut: writers queue at the cut, then count.
create function guard_cut_balance() returns trigger
language plpgsql
as $$
declare
  watched uuid;
  weighed bigint;
  delivered bigint;
  line_weight bigint;
begin
  if tg_table_name = 'delivery_correction' then
    select cut_id into watched from delivery_line where id = new.delivery_line_id;
  else
    watched := new.cut_id;
  end if;
  perform 1 from cut where id = watched for no key update;
  select b.milligrams, b.delivered_milligrams into weighed, delivered from cut_balance b where b.cut_id = watched;
  if weighed < 0 or delivered > weighed then
    raise exception using
      errcode = 'check_violation', constraint = 'cut_balance',
      message = format('%s mg delivered of %s mg cut', delivered, weighed),
      detail = format('{"delivered_milligrams": %s, "cut_milligrams": %s}', delivered, weighed);
  end if;
  if tg_table_name = 'delivery_correction' then
    select l.milligrams + coalesce(sum(k.change_milligrams), 0) into line_weight
      from delivery_line l left join delivery_correction k
           on k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id
     where l.id = new.delivery_line_id group by l.milligrams;
    if line_weight < 0 then
      raise exception using
        errcode = 'check_violation', constraint = 'delivery_line_weight',
        message = 'a delivery line cannot weigh less than nothing';
    end if;
  end if;
  return null;
end $$;
create trigger guard_cut_balance after insert on delivery_line for each row execute function guard_cut_balance();
create trigger guard_cut_balance after insert on delivery_correction for each row execute function guard_cut_balance();
create trigger guard_cut_balance after insert on cut_correction for each row execute function guard_cut_balance();
