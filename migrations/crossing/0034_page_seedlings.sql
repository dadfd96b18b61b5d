-- Seedlings of a cross in the order of their places, whatever the year of their partition: a page of
-- them, their number and those that died are read from here.
create index seedling_by_cross on seedling (programme_id, cross_id, place);
