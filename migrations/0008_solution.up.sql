-- Nutrient solution: waters, recipes, batches and what happened to them.

-- What comes out of the tap of a site, as analysed.
create table source_water (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  name text not null check (length(name) between 1 and 200),
  analysed_on date,
  -- {"ph": 7.6, "alkalinity": {"value": 180, "unit": "milligrams_per_litre_as_calcium_carbonate"},
  --  "milligrams_per_litre": {"calcium": 42, ...}}
  analysis jsonb not null,
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint source_water_identity unique (cooperative_id, id),
  constraint source_water_site foreign key (cooperative_id, site_id) references site (cooperative_id, id)
);
create unique index source_water_name_taken on source_water (cooperative_id, site_id, lower(name)) where retired_at is null;
call protect_rows('source_water');
call keep_versions('source_water');

create table recipe (
  id uuid primary key,
  cooperative_id uuid not null references cooperative,
  name text not null check (length(name) between 1 and 200),
  -- [{"product_id": uuid, "micrograms_per_litre": n}] for what is weighed, "nanolitres_per_litre" for what is poured
  lines jsonb not null,
  -- [{"name": "A", "times": 100, "product_ids": [uuid]}]: which products stand together in a concentrate, and how strong
  concentrates jsonb not null default '[]',
  -- the pH that is wanted, and how far it may lie off, in thousandths
  ph_least_thousandths integer not null check (ph_least_thousandths between 3000 and 9000),
  ph_most_thousandths integer not null check (ph_most_thousandths between 3000 and 9000),
  -- the recipe of every sowing for which nothing else is said
  usual boolean not null default false,
  note text not null default '' check (length(note) <= 1000),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  retired_at timestamptz,
  constraint recipe_identity unique (cooperative_id, id),
  constraint recipe_ph check (ph_least_thousandths < ph_most_thousandths)
);
create unique index recipe_name_taken on recipe (cooperative_id, lower(name)) where retired_at is null;
create unique index recipe_usual_once on recipe (cooperative_id) where usual and retired_at is null;
call protect_rows('recipe');
call keep_versions('recipe');

create table batch (
  id uuid primary key,
  cooperative_id uuid not null,
  site_id uuid not null,
  recipe_id uuid not null,
  source_water_id uuid,
  code text not null check (length(code) between 1 and 40),
  microlitres bigint not null check (microlitres between 1 and 100000000000),
  state text not null default 'mixing' check (state in ('mixing', 'ready', 'in_use', 'used_up', 'discarded')),
  -- recipe, water, amounts and expectation as they were when it was begun
  plan jsonb not null,
  begun_at timestamptz not null,
  begun_by uuid not null,
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now(),
  constraint batch_identity unique (cooperative_id, id),
  constraint batch_code_taken unique (cooperative_id, code),
  constraint batch_site foreign key (cooperative_id, site_id) references site (cooperative_id, id),
  constraint batch_recipe foreign key (cooperative_id, recipe_id) references recipe (cooperative_id, id),
  constraint batch_source_water foreign key (cooperative_id, source_water_id) references source_water (cooperative_id, id),
  constraint batch_begun_by foreign key (cooperative_id, begun_by) references member (cooperative_id, id)
);
create index batch_of_site on batch (cooperative_id, site_id, id);
call protect_rows('batch');
call keep_versions('batch');

alter table movement add constraint movement_batch foreign key (cooperative_id, batch_id) references batch (cooperative_id, id);

-- What happened to a batch, in order; a wrong entry is corrected by one that names it.
create table batch_entry (
  id uuid primary key,
  cooperative_id uuid not null,
  batch_id uuid not null,
  kind text not null check (kind in ('reading', 'dose', 'ready', 'use', 'left', 'discard', 'withdrawn', 'note')),
  happened_at timestamptz not null,
  recorded_at timestamptz not null,
  member_id uuid not null,
  -- of a reading: thousandths of pH, microsiemens per centimetre at 25 degrees, hundredths of a degree Celsius
  ph_thousandths integer check (ph_thousandths between 0 and 14000),
  conductivity_microsiemens_per_centimetre integer check (conductivity_microsiemens_per_centimetre between 0 and 20000),
  temperature_centicelsius integer check (temperature_centicelsius between 0 and 6000),
  -- of a dose
  product_id uuid,
  quantity bigint check (quantity between 1 and 1000000000000),
  -- of use, of what is left, of a discard
  microlitres bigint check (microlitres between 0 and 100000000000),
  station_id uuid,
  sowing_id uuid,
  -- the entry that this one withdraws
  withdraws_id uuid,
  -- the movements of the ledger that it caused
  movement_ids uuid[] not null default '{}',
  note text not null default '' check (length(note) <= 1000),
  constraint batch_entry_identity unique (cooperative_id, id),
  constraint batch_entry_batch foreign key (cooperative_id, batch_id) references batch (cooperative_id, id),
  constraint batch_entry_member foreign key (cooperative_id, member_id) references member (cooperative_id, id),
  constraint batch_entry_product foreign key (cooperative_id, product_id) references product (cooperative_id, id),
  constraint batch_entry_station foreign key (cooperative_id, station_id) references station (cooperative_id, id),
  constraint batch_entry_sowing foreign key (cooperative_id, sowing_id) references sowing (cooperative_id, id),
  constraint batch_entry_withdraws foreign key (cooperative_id, withdraws_id) references batch_entry (cooperative_id, id),
  constraint batch_entry_reading check (kind <> 'reading' or num_nonnulls(ph_thousandths, conductivity_microsiemens_per_centimetre, temperature_centicelsius) > 0),
  constraint batch_entry_dose check ((kind = 'dose') = (product_id is not null) and (kind = 'dose') = (quantity is not null)),
  constraint batch_entry_volume check ((kind in ('use', 'left', 'discard')) = (microlitres is not null)),
  constraint batch_entry_use check (kind <> 'use' or num_nonnulls(station_id, sowing_id) > 0),
  constraint batch_entry_withdrawal check ((kind = 'withdrawn') = (withdraws_id is not null))
);
create unique index batch_entry_withdrawn_once on batch_entry (cooperative_id, withdraws_id) where withdraws_id is not null;
create index batch_entry_of_batch on batch_entry (cooperative_id, batch_id, happened_at, id);
create index batch_entry_of_sowing on batch_entry (cooperative_id, sowing_id) where sowing_id is not null;
call protect_rows('batch_entry');
call keep_history('batch_entry');

-- A level that somebody read off the containers of a sowing.
create table level_reading (
  id uuid primary key,
  cooperative_id uuid not null,
  sowing_id uuid not null,
  -- in one container, the average of those looked at
  microlitres bigint not null check (microlitres between 0 and 1000000000),
  -- measured with a rule: how much of it one millimetre of level is follows for straight walls
  depth_millimetres integer check (depth_millimetres between 1 and 2000),
  -- whether roots hang in the air above the solution
  air_roots boolean,
  read_at timestamptz not null,
  recorded_at timestamptz not null,
  member_id uuid not null,
  note text not null default '' check (length(note) <= 300),
  constraint level_reading_identity unique (cooperative_id, id),
  constraint level_reading_sowing foreign key (cooperative_id, sowing_id) references sowing (cooperative_id, id),
  constraint level_reading_member foreign key (cooperative_id, member_id) references member (cooperative_id, id)
);
create index level_reading_of_sowing on level_reading (cooperative_id, sowing_id, read_at, id);
call protect_rows('level_reading');
call keep_history('level_reading');
