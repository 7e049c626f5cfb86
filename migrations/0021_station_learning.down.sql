drop table station_learning_choice;
