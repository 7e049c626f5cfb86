drop table claim, task, sowing_event;
drop trigger guard_station_places on station;
drop trigger guard_station_places on station_outage;
drop table sowing, plan;
drop function guard_station_places, most_places_used, refuse_going_back;
