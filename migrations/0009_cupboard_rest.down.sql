drop index batch_of_recipe;
