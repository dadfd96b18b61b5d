-- Records come in hundreds of thousands, and their policy was worked out for each row anew. Within
-- one statement the scope does not change: as subqueries without a row's column it is looked up
-- once. What the policy lets through is the same.
do $$
declare part text;
begin
    for part in
        select c.relname from pg_class c
        where c.relnamespace = current_schema()::regnamespace
          and (c.relname = 'record' or c.relname ~ '^record_(\d{4}|other_years)$')
          and c.relkind in ('r', 'p')
    loop
        execute format(
            'alter policy record_of_staff on %I using '
            '(programme_id = (select current_programme()) and (select current_partner()) is null)',
            part);
    end loop;
end
$$;
