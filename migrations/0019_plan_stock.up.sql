-- Whether a plan keeps to what is on the shelves and on order before new goods can come. Plans of the time
-- before did not look at it.
alter table plan add column count_stock boolean not null default false;
alter table plan alter column count_stock set default true;
