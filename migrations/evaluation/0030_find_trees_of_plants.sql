-- What becomes of a seedling elsewhere reaches its trees.
create index tree_by_plant on tree (programme_id, germplasm_id);
