-- entries are history and stay, so those of releases are not looked at
alter table recall_entry
  drop constraint recall_entry_kind_check,
  add constraint recall_entry_kind_check check (kind in ('drafted', 'traced', 'started', 'assigned', 'told', 'closed')) not valid;

alter table recall
  drop constraint recall_released_by,
  drop constraint recall_released_by_somebody,
  drop constraint recall_released,
  drop column released_by,
  drop column released_at;
