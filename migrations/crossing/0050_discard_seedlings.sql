-- What is decided on a seedling in a trial holds for the seedling: one that goes no further there is
-- discarded, whether its tree still stands or not.
alter table seedling add column discarded_on date;
