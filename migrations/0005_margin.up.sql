-- A plan may be asked for with the chance at which every weekly pledge is to be met.
alter table plan add column wanted_chance_permille integer check (wanted_chance_permille between 500 and 990);
