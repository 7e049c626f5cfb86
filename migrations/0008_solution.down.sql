alter table movement drop constraint movement_batch;
drop table level_reading, batch_entry, batch, recipe, source_water;
