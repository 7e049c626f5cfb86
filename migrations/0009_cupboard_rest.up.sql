-- What earlier batches of a recipe in a water took, for buying and for correcting the next.

create index batch_of_recipe on batch (cooperative_id, recipe_id, source_water_id, id);
