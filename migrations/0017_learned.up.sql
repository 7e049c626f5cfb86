-- What was learned of crops at stations, kept beside them; and what harmed a cut.

-- As it was last reckoned: whatever foresees a sowing reads it here, and reckons nothing itself.
create table learned_growth (
  cooperative_id uuid primary key references cooperative,
  -- counts and versions of the rows that it rests on: when they are others, it is reckoned anew
  rests_on text not null check (length(rests_on) between 1 and 300),
  -- by crop, then by station: what days and grams are multiplied by, and the share that stands
  figures jsonb not null check (jsonb_typeof(figures) = 'object'),
  version bigint not null default 1,
  created_at timestamptz not null default now(),
  updated_at timestamptz not null default now()
);
call protect_rows('learned_growth');
call keep_versions('learned_growth');

-- A look at a site finds out whether something else is learned now.
call wake_work_on('learning_choice');
call wake_work_on('learning_veto');
call wake_work_on('cut_correction');

-- What came from outside and harmed a cut; it teaches nothing about its crop and station.
alter table cut
  add column harmed_by text
    constraint cut_harmed_by check (harmed_by in ('pests', 'disease', 'lack_of_nutrient', 'lack_of_light', 'lack_of_water', 'heat', 'cold', 'accident'));
