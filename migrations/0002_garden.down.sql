drop table role_grant, pledge, recipient, crop, crop_group, station_outage, station, container_kind, member_group, closure, site;
