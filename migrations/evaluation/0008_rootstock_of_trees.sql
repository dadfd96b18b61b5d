-- Trees of one selection may stand on several rootstocks, so each tree says its own.
alter table tree add column rootstock text not null default '';
update tree set rootstock = trial.rootstock
    from trial where trial.programme_id = tree.programme_id and trial.id = tree.trial_id;
