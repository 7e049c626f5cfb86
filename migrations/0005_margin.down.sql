alter table plan drop column wanted_chance_permille;
