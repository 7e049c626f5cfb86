-- The cupboard: what is kept, the ledger of its movements, orders and counts.

-- A fertiliser, or what adjusts pH.
create table product (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  name text not null check (length(name) between 1 and 200),
  purpose text not null check (purpose in ('fertiliser', 'acid', 'base')),
  -- which bag or bottle of a set
  part text not null default 'single' check (part in ('single', 'a', 'b', 'c')),
  form text not null check (form in ('solid', 'liquid')),
  -- {"analysis": {"basis": "mass", "percent": {"nitrate_nitrogen": 15.5, ...}}} or {"substances": {"phosphoric_acid": 85}},
  -- read by the rules of nutrient solutions
  composition jsonb not null,
  -- of a liquid, by its label
  density_milligrams_per_millilitre integer check (density_milligrams_per_millilitre between 500 and 3000),
  -- GHS statements on the label, beyond those that follow from the composition
  hazard_statements text[] not null default '{}',
  -- a dose beyond this in one litre needs a second reading first
  most_milligrams_per_litre bigint check (most_milligrams_per_litre > 0),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint product_identity unique (cooperative_id, id),
  constraint product_density check ((form = 'liquid') = (density_milligrams_per_millilitre is not null))
);
create unique index product_name_taken on product (cooperative_id, lower(name)) where retired_at is null;
call protect_rows('product');
call keep_versions('product');

-- What is kept. Quantities are whole base units of its dimension: milligrams, microlitres or pieces.
create table stock_item (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  name text not null check (length(name) between 1 and 200),
  category text not null check (category in ('seed', 'medium', 'cup', 'fertiliser', 'adjuster', 'other')),
  dimension text not null check (dimension in ('mass', 'volume', 'count')),
  crop_id uuid,
  product_id uuid,
  supplier text not null default '' check (length(supplier) <= 200),
  pack_quantity bigint check (pack_quantity between 1 and 1000000000000),
  pack_cents bigint check (pack_cents between 0 and 100000000),
  lead_days integer not null default 7 check (lead_days between 0 and 365),
  -- how often the shelf may not run out before an order comes, in thousandths of the orders
  service_permille integer not null default 950 check (service_permille between 500 and 999),
  -- stated by the label or weighed once, so that spoons and scoops become weights
  density_milligrams_per_millilitre integer check (density_milligrams_per_millilitre between 10 and 5000),
  scoop_quantity bigint check (scoop_quantity between 1 and 1000000000),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint stock_item_identity unique (cooperative_id, id),
  constraint stock_item_crop foreign key (cooperative_id, crop_id) references crop (cooperative_id, id),
  constraint stock_item_product foreign key (cooperative_id, product_id) references product (cooperative_id, id),
  constraint stock_item_seed check ((category = 'seed') = (crop_id is not null)),
  constraint stock_item_substance check ((category in ('fertiliser', 'adjuster')) = (product_id is not null))
);
create unique index stock_item_name_taken on stock_item (cooperative_id, lower(name)) where retired_at is null;
create unique index stock_item_of_crop_taken on stock_item (cooperative_id, crop_id) where retired_at is null;
create unique index stock_item_of_product_taken on stock_item (cooperative_id, product_id) where retired_at is null;
call protect_rows('stock_item');
call keep_versions('stock_item');

-- What one container of a kind takes of an item when it is sown: medium, cups.
create table container_supply (
  id uuid primary key,
  cooperative_id uuid not null,
  container_kind_id uuid not null,
  stock_item_id uuid not null,
  quantity bigint not null check (quantity between 1 and 1000000000),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint container_supply_identity unique (cooperative_id, id),
  constraint container_supply_container_kind foreign key (cooperative_id, container_kind_id) references container_kind (cooperative_id, id),
  constraint container_supply_item foreign key (cooperative_id, stock_item_id) references stock_item (cooperative_id, id)
);
create unique index container_supply_taken on container_supply (cooperative_id, container_kind_id, stock_item_id) where retired_at is null;
call protect_rows('container_supply');
call keep_versions('container_supply');

create table stock_order (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  stock_item_id uuid not null,
  quantity bigint not null check (quantity between 1 and 1000000000000),
  ordered_on date not null,
  expected_on date not null,
  cost_cents bigint check (cost_cents between 0 and 10000000000),
  state text not null default 'open' check (state in ('open', 'received', 'dropped')),
  note text not null default '' check (length(note) <= 300),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint stock_order_identity unique (cooperative_id, id),
  constraint stock_order_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint stock_order_item foreign key (cooperative_id, stock_item_id) references stock_item (cooperative_id, id),
  constraint stock_order_days check (expected_on >= ordered_on and expected_on - ordered_on <= 730)
);
create index stock_order_open on stock_order (cooperative_id, stock_item_id) where state = 'open';
call protect_rows('stock_order');
call keep_versions('stock_order');

-- A received quantity of an item. What is left of it is in the ledger.
create table lot (
  id uuid primary key,
  cooperative_id uuid not null,
  stock_item_id uuid not null,
  code text not null check (length(code) between 1 and 80),
  quantity bigint not null check (quantity between 1 and 1000000000000),
  cost_cents bigint check (cost_cents between 0 and 10000000000),
  received_on date not null,
  -- the last day on which it may be used
  expires_on date,
  -- of seed: what came up of a thousand when it was tested
  germination_permille integer check (germination_permille between 0 and 1000),
  germination_tested_on date,
  stock_order_id uuid,
  note text not null default '' check (length(note) <= 300),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint lot_identity unique (cooperative_id, id),
  constraint lot_item foreign key (cooperative_id, stock_item_id) references stock_item (cooperative_id, id),
  constraint lot_order foreign key (cooperative_id, stock_order_id) references stock_order (cooperative_id, id),
  constraint lot_germination check ((germination_permille is null) = (germination_tested_on is null))
);
create index lot_of_item on lot (cooperative_id, stock_item_id, expires_on, received_on, id);
call protect_rows('lot');
call keep_versions('lot');

-- A stock-taking at a site.
create table stock_count (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  state text not null default 'open' check (state in ('open', 'posted', 'dropped')),
  -- whether those who count see what the ledger says
  shows_ledger boolean not null default false,
  note text not null default '' check (length(note) <= 300),
  opened_by uuid not null,
  opened_at timestamptz not null,
  closed_by uuid,
  closed_at timestamptz,
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint stock_count_identity unique (cooperative_id, id),
  constraint stock_count_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint stock_count_opened_by foreign key (cooperative_id, opened_by) references member (cooperative_id, id),
  constraint stock_count_closed_by foreign key (cooperative_id, closed_by) references member (cooperative_id, id),
  constraint stock_count_closed check ((state = 'open') = (closed_at is null))
);
create unique index stock_count_open_once on stock_count (cooperative_id, site_id) where state = 'open';
call protect_rows('stock_count');
call keep_versions('stock_count');

-- What somebody found of a lot; the latest line of a lot counts.
create table count_line (
  id uuid primary key,
  cooperative_id uuid not null,
  stock_count_id uuid not null,
  lot_id uuid not null,
  quantity bigint not null check (quantity between 0 and 1000000000000),
  counted_at timestamptz not null,
  recorded_at timestamptz not null,
  member_id uuid not null,
  note text not null default '' check (length(note) <= 300),
  constraint count_line_identity unique (cooperative_id, id),
  constraint count_line_count foreign key (cooperative_id, stock_count_id) references stock_count (cooperative_id, id),
  constraint count_line_lot foreign key (cooperative_id, lot_id) references lot (cooperative_id, id),
  constraint count_line_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
create index count_line_of_count on count_line (cooperative_id, stock_count_id, lot_id, counted_at, id);
call protect_rows('count_line');
call keep_history('count_line');

-- The ledger: what went from where to where. Never changed; undone by another that names it.
create table movement (
  id uuid primary key,
  cooperative_id uuid not null,
  lot_id uuid not null,
  kind text not null check (kind in ('receive', 'issue', 'transfer', 'spoil', 'count_difference', 'reverse')),
  -- a store is that of a site; the other places are one for the co-operative
  from_place text not null check (from_place in ('supplier', 'store', 'in_use', 'spoiled', 'count_difference')),
  from_site_id uuid,
  to_place text not null check (to_place in ('supplier', 'store', 'in_use', 'spoiled', 'count_difference')),
  to_site_id uuid,
  quantity bigint not null check (quantity between 1 and 1000000000000),
  happened_at timestamptz not null,
  recorded_at timestamptz not null,
  member_id uuid not null,
  reason text not null default '' check (length(reason) <= 300),
  reverses_id uuid,
  sowing_id uuid,
  batch_id uuid,
  count_line_id uuid,
  constraint movement_identity unique (cooperative_id, id),
  constraint movement_lot foreign key (cooperative_id, lot_id) references lot (cooperative_id, id),
  constraint movement_from_site foreign key (cooperative_id, from_site_id) references site (cooperative_id, id),
  constraint movement_to_site foreign key (cooperative_id, to_site_id) references site (cooperative_id, id),
  constraint movement_member foreign key (cooperative_id, member_id) references member (cooperative_id, id),
  constraint movement_reverses foreign key (cooperative_id, reverses_id) references movement (cooperative_id, id),
  constraint movement_sowing foreign key (cooperative_id, sowing_id) references sowing (cooperative_id, id),
  constraint movement_count_line foreign key (cooperative_id, count_line_id) references count_line (cooperative_id, id),
  constraint movement_stores check ((from_place = 'store') = (from_site_id is not null) and (to_place = 'store') = (to_site_id is not null)),
  constraint movement_places check ((from_place, from_site_id) is distinct from (to_place, to_site_id)),
  constraint movement_of_kind check (
    case kind
      when 'receive' then from_place = 'supplier' and to_place = 'store'
      when 'issue' then from_place = 'store' and to_place = 'in_use'
      when 'transfer' then from_place = 'store' and to_place = 'store'
      when 'spoil' then from_place = 'store' and to_place = 'spoiled'
      when 'count_difference' then 'count_difference' in (from_place, to_place) and 'store' in (from_place, to_place)
      else true
    end),
  constraint movement_reversal check ((kind = 'reverse') = (reverses_id is not null)),
  constraint movement_counted check ((kind = 'count_difference') = (count_line_id is not null))
);
create unique index movement_reversed_once on movement (cooperative_id, reverses_id) where reverses_id is not null;
create unique index movement_of_count_line_once on movement (cooperative_id, count_line_id) where kind = 'count_difference';
create index movement_of_lot on movement (cooperative_id, lot_id, id);
create index movement_of_sowing on movement (cooperative_id, sowing_id) where sowing_id is not null;
create index movement_of_batch on movement (cooperative_id, batch_id) where batch_id is not null;
call protect_rows('movement');
call keep_history('movement');

-- What is left of a lot in the store of a site now. Writers of one lot at one site queue at its row.
create table store_lot (
  cooperative_id uuid not null,
  site_id uuid not null,
  lot_id uuid not null,
  quantity bigint not null,
  -- from when until when something was there, infinity as long as it is: lots of other times cost balances nothing
  there_from timestamptz not null,
  left_until timestamptz not null default 'infinity',
  primary key (site_id, lot_id),
  constraint store_lot_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint store_lot_lot foreign key (cooperative_id, lot_id) references lot (cooperative_id, id),
  constraint stock_never_negative check (quantity >= 0)
);
create index store_lot_of_lot on store_lot (cooperative_id, lot_id);
create index store_lot_left on store_lot (cooperative_id, left_until, there_from);
call protect_rows('store_lot');

-- The same after each movement, in the order in which they happened: the balance at any past instant is one row.
create table store_line (
  cooperative_id uuid not null,
  site_id uuid not null,
  lot_id uuid not null,
  happened_at timestamptz not null,
  movement_id uuid not null,
  quantity bigint not null,
  primary key (site_id, lot_id, happened_at, movement_id),
  constraint store_line_movement foreign key (cooperative_id, movement_id) references movement (cooperative_id, id),
  constraint stock_never_was_negative check (quantity >= 0)
);
call protect_rows('store_line');

create function keep_store(of_movement movement, at_site uuid, change bigint) returns void
language plpgsql
as $$
declare
  before bigint;
begin
  -- checks look at a row to be inserted before its conflict is found, so what is taken is taken by an update
  update store_lot set quantity = quantity + change, there_from = least(there_from, of_movement.happened_at)
   where site_id = at_site and lot_id = of_movement.lot_id;
  if not found then
    insert into store_lot (cooperative_id, site_id, lot_id, quantity, there_from)
         values (of_movement.cooperative_id, at_site, of_movement.lot_id, change, of_movement.happened_at)
    on conflict (site_id, lot_id) do update
       set quantity = store_lot.quantity + change, there_from = least(store_lot.there_from, excluded.there_from);
  end if;
  select l.quantity into before from store_line l
   where l.site_id = at_site and l.lot_id = of_movement.lot_id
     and (l.happened_at, l.movement_id) < (of_movement.happened_at, of_movement.id)
   order by l.happened_at desc, l.movement_id desc limit 1;
  insert into store_line (cooperative_id, site_id, lot_id, happened_at, movement_id, quantity)
       values (of_movement.cooperative_id, at_site, of_movement.lot_id, of_movement.happened_at, of_movement.id, coalesce(before, 0) + change);
  -- work reported late: what happened after it stood on another balance
  update store_line l set quantity = l.quantity + change
   where l.site_id = at_site and l.lot_id = of_movement.lot_id
     and (l.happened_at, l.movement_id) > (of_movement.happened_at, of_movement.id);
  update store_lot s
     set left_until = case
           when s.quantity > 0 then 'infinity'
           else (select max(l.happened_at) from store_line l where l.site_id = at_site and l.lot_id = of_movement.lot_id)
         end
   where s.site_id = at_site and s.lot_id = of_movement.lot_id
     and (s.quantity > 0) <> (s.left_until = 'infinity');
end $$;

create function keep_stores() returns trigger
language plpgsql
as $$
begin
  -- one order for all writers, so that two transfers in opposite directions queue
  if new.from_site_id is not null and new.to_site_id is not null and new.from_site_id > new.to_site_id then
    perform keep_store(new, new.to_site_id, new.quantity);
    perform keep_store(new, new.from_site_id, -new.quantity);
    return null;
  end if;
  if new.from_site_id is not null then
    perform keep_store(new, new.from_site_id, -new.quantity);
  end if;
  if new.to_site_id is not null then
    perform keep_store(new, new.to_site_id, new.quantity);
  end if;
  return null;
end $$;
create trigger keep_stores after insert on movement for each row execute function keep_stores();

-- A lot goes out of a reversal the way it came in.
create function guard_reversal() returns trigger
language plpgsql
as $$
declare
  undone movement;
begin
  select * into undone from movement m where m.cooperative_id = new.cooperative_id and m.id = new.reverses_id;
  if undone.kind = 'reverse'
     or (new.lot_id, new.quantity, new.from_place, new.to_place) is distinct from (undone.lot_id, undone.quantity, undone.to_place, undone.from_place)
     or new.from_site_id is distinct from undone.to_site_id or new.to_site_id is distinct from undone.from_site_id then
    raise exception using
      errcode = 'check_violation', constraint = 'movement_reverses_exactly',
      message = 'a reversal is the movement it names, backwards';
  end if;
  return new;
end $$;
create trigger guard_reversal before insert on movement for each row when (new.reverses_id is not null) execute function guard_reversal();
