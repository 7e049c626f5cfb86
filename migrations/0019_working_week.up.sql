-- What members see in a working week: when it was last looked at what runs low.

-- The last day, by the clock of its oldest site, on which a co-operative was told what runs low.
create table low_stock_look (
  cooperative_id uuid primary key,
  looked_on date not null,
  constraint low_stock_look_cooperative foreign key (cooperative_id) references cooperative (id)
);
call protect_rows('low_stock_look');
