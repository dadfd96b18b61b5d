//! Who owns what in the database and who may use it: the one place where rights are given.
//!
//! Every schema belongs to [`OWNER`], a role that nobody can sign in as and that has no right
//! beyond its own tables. So a function that runs with its owner's rights (`security definer`) can
//! do no more than the tables need, whoever made it run. The owner is not subject to the policies
//! of its own tables; the services' roles own nothing and are.

use sqlx::{AssertSqlSafe, Connection as _, PgConnection};

use crate::database::DatabaseError;
use crate::peers::ServiceName;

/// Owns every schema, and all that is in it. Cannot sign in.
pub const OWNER: &str = "drupeline_owner";

/// What a service's role may do beyond reading, adding and changing rows.
#[derive(Debug, Clone, Copy, Default)]
pub struct Grants {
    /// Tables whose rows it may delete.
    pub deletes: &'static [&'static str],
    /// Functions that it may call though they run with their owner's rights, as `name(type, type)`.
    pub trusted: &'static [&'static str],
    /// Tables that it only reads: what stands in them is written by the database itself.
    pub reads_only: &'static [&'static str],
}

/// What every service's role may do with the tables that each schema has.
const EVERYWHERE: Grants = Grants {
    deletes: &["retry"],
    trusted: &["refresh_statistics(text, bigint)"],
    reads_only: &[
        "revision",
        "audit_head",
        "audit_link",
        "_sqlx_migrations",
        "_platform_migrations",
    ],
};
/// Tables of every schema whose rows are never changed.
const NEVER_CHANGED: [&str; 2] = ["audit", "outbox"];

/// Makes the owner's role, and lets an administrator who is no superuser act for it.
pub(crate) async fn ensure_owner(connection: &mut PgConnection) -> Result<(), DatabaseError> {
    ensure_role(connection, OWNER, "nologin").await?;
    if !is_superuser(connection).await? {
        run(connection, format!("grant {OWNER} to current_user")).await?;
    }
    // Whoever makes temporary tables can put them in the way of those that a function means.
    let database: String = sqlx::query_scalar("select quote_ident(current_database())")
        .fetch_one(&mut *connection)
        .await?;
    for statement in [
        format!("revoke temporary on database {database} from public"),
        "revoke create on schema public from public".to_owned(),
        format!("alter default privileges for role {OWNER} revoke execute on routines from public"),
    ] {
        run(connection, statement).await?;
    }
    Ok(())
}

/// Makes a service's role, which can sign in with this password.
pub(crate) async fn ensure_service_role(
    connection: &mut PgConnection,
    service: ServiceName,
    password: &str,
) -> Result<(), DatabaseError> {
    let quoted = password.replace('\'', "''");
    let rights = format!("login password '{quoted}'");
    ensure_role(connection, &service.database_role(), &rights).await
}

/// Roles belong to the whole server, so another database may be making the same one just now.
async fn ensure_role(
    connection: &mut PgConnection,
    role: &str,
    rights: &str,
) -> Result<(), DatabaseError> {
    // Only who has these rights may name them, even to take them away. A new role has none.
    let without = if is_superuser(connection).await? {
        "nosuperuser nobypassrls noreplication nocreatedb nocreaterole"
    } else {
        ""
    };
    let mut tries = 0;
    loop {
        let known: bool =
            sqlx::query_scalar("select exists (select from pg_roles where rolname = $1)")
                .bind(role)
                .fetch_one(&mut *connection)
                .await?;
        let verb = if known { "alter" } else { "create" };
        match run(connection, format!("{verb} role {role} {rights} {without}")).await {
            Ok(()) => break,
            Err(_) if tries < 20 => {
                tries += 1;
                tokio::time::sleep(std::time::Duration::from_millis(50)).await;
            }
            Err(error) => return Err(error.into()),
        }
    }
    let powerful: bool = sqlx::query_scalar(
        "select rolsuper or rolbypassrls or rolreplication or rolcreatedb or rolcreaterole \
         from pg_roles where rolname = $1",
    )
    .bind(role)
    .fetch_one(connection)
    .await?;
    if powerful {
        return Err(DatabaseError::Powerful(role.to_owned()));
    }
    Ok(())
}

async fn is_superuser(connection: &mut PgConnection) -> Result<bool, sqlx::Error> {
    sqlx::query_scalar("select rolsuper from pg_roles where rolname = current_user")
        .fetch_one(connection)
        .await
}

/// What of a schema belongs to somebody else, as statements that hand it to the owner. Sequences of
/// columns go with their tables.
const STRAYS: &str = "\
    with own as (select oid from pg_roles where rolname = $2), \
         home as (select oid, nspowner from pg_namespace where nspname = $1) \
    select statement from ( \
        select 0 as place, format('alter schema %I owner to %I', $1::text, $2::text) as statement \
        from home, own where home.nspowner <> own.oid \
        union all \
        select 1, format('alter %s %s owner to %I', \
            case c.relkind when 'S' then 'sequence' when 'v' then 'view' \
                when 'm' then 'materialized view' else 'table' end, c.oid::regclass, $2::text) \
        from pg_class c join home on c.relnamespace = home.oid, own \
        where c.relowner <> own.oid and c.relkind in ('r', 'p', 'v', 'm', 'S') \
            and not (c.relkind = 'S' and exists (select from pg_depend d \
                where d.classid = 'pg_class'::regclass and d.objid = c.oid and d.deptype in ('a', 'i'))) \
        union all \
        select 2, format('alter routine %s owner to %I', p.oid::regprocedure, $2::text) \
        from pg_proc p join home on p.pronamespace = home.oid, own where p.proowner <> own.oid \
        union all \
        select 3, format('alter type %s owner to %I', t.oid::regtype, $2::text) \
        from pg_type t join home on t.typnamespace = home.oid, own \
        where t.typowner <> own.oid and (t.typtype in ('e', 'd', 'r') or t.typtype = 'c' \
            and exists (select from pg_class c where c.oid = t.typrelid and c.relkind = 'c')) \
    ) strays order by place";

/// Makes a schema of the owner's where it is missing, and hands all that is in it to the owner.
pub(crate) async fn hand_over(
    connection: &mut PgConnection,
    schema: &str,
) -> Result<(), DatabaseError> {
    run(
        connection,
        format!("create schema if not exists {schema} authorization {OWNER}"),
    )
    .await?;
    let statements: Vec<String> = sqlx::query_scalar(STRAYS)
        .bind(schema)
        .bind(OWNER)
        .fetch_all(&mut *connection)
        .await?;
    for statement in statements {
        run(connection, statement).await?;
    }
    Ok(())
}

/// Gives a service's role what it needs of its schema and takes away whatever else it had, in one
/// transaction, so that a service that is running meanwhile never goes without.
pub(crate) async fn grant(
    connection: &mut PgConnection,
    service: ServiceName,
    grants: Grants,
) -> Result<(), DatabaseError> {
    let (schema, role) = (service.schema(), service.database_role());
    let within = |names: &[&[&str]]| {
        let named: Vec<String> = names
            .iter()
            .flat_map(|names| names.iter())
            .map(|name| format!("{schema}.{name}"))
            .collect();
        named.join(", ")
    };
    let mut statements = vec![
        format!("revoke all on schema {schema} from public, {role}"),
        format!("grant usage on schema {schema} to {role}"),
        format!("revoke all on all tables in schema {schema} from public, {role}"),
        format!("grant select, insert, update on all tables in schema {schema} to {role}"),
        format!("revoke all on all sequences in schema {schema} from public, {role}"),
        format!("grant usage on all sequences in schema {schema} to {role}"),
        format!("revoke update on {} from {role}", within(&[&NEVER_CHANGED])),
        // Announcements are numbered once they can be seen; nothing else of them changes.
        format!("grant update (position) on {schema}.outbox to {role}"),
        format!(
            "revoke insert, update on {} from {role}",
            within(&[EVERYWHERE.reads_only, grants.reads_only])
        ),
        format!(
            "grant delete on {} to {role}",
            within(&[EVERYWHERE.deletes, grants.deletes])
        ),
        format!("revoke all on all routines in schema {schema} from public, {role}"),
    ];
    // Policies and queries call plain functions with the caller's own rights; those that run with
    // their owner's are given by name.
    let plain: Vec<String> = sqlx::query_scalar(
        "select p.oid::regprocedure::text from pg_proc p \
         where p.pronamespace = $1::text::regnamespace and not p.prosecdef order by 1",
    )
    .bind(schema)
    .fetch_all(&mut *connection)
    .await?;
    let trusted = within(&[EVERYWHERE.trusted, grants.trusted]);
    statements.push(format!(
        "grant execute on routine {} to {role}",
        plain
            .into_iter()
            .chain([trusted])
            .collect::<Vec<_>>()
            .join(", ")
    ));
    let mut transaction = connection.begin().await?;
    run(&mut transaction, statements.join("; ")).await?;
    transaction.commit().await?;
    Ok(())
}

/// Refuses a schema that would be open: a table without row-level security, a view that reads
/// tables with its owner's rights, and a function that lends its owner's rights to more than it is
/// for.
pub(crate) async fn require_guarded(
    connection: &mut PgConnection,
    service: ServiceName,
) -> Result<(), DatabaseError> {
    let schema = service.schema();
    let first = async |connection: &mut PgConnection, query: &'static str| {
        sqlx::query_scalar::<_, String>(query)
            .bind(schema)
            .fetch_optional(connection)
            .await
    };
    let table = first(
        connection,
        "select c.oid::regclass::text from pg_class c \
         where c.relnamespace = $1::text::regnamespace and c.relkind in ('r', 'p') \
             and not c.relispartition and not c.relrowsecurity \
             and c.relname not like '\\_%' order by 1 limit 1",
    )
    .await?;
    if let Some(table) = table {
        return Err(DatabaseError::Unguarded(table));
    }
    let view = first(
        connection,
        "select c.oid::regclass::text from pg_class c \
         where c.relnamespace = $1::text::regnamespace and (c.relkind = 'm' or c.relkind = 'v' \
             and not coalesce(c.reloptions && array['security_invoker=true', 'security_invoker=on'], \
                 false)) \
         order by 1 limit 1",
    )
    .await?;
    if let Some(view) = view {
        return Err(DatabaseError::OpenView(view));
    }
    let function = first(
        connection,
        "select p.oid::regprocedure::text from pg_proc p join pg_roles r on r.oid = p.proowner \
         where p.pronamespace = $1::text::regnamespace and p.prosecdef and ( \
             r.rolsuper or r.rolbypassrls or not coalesce( \
                 format('search_path=%I, pg_temp', $1::text) = any (p.proconfig), false)) \
         order by 1 limit 1",
    )
    .await?;
    if let Some(function) = function {
        return Err(DatabaseError::OpenFunction { function, schema });
    }
    let role = service.database_role();
    let too_much: bool = sqlx::query_scalar(
        "select has_database_privilege($1, current_database(), 'temporary') \
             or has_schema_privilege($1, 'public', 'create') or pg_has_role($1, $2, 'member')",
    )
    .bind(&role)
    .bind(OWNER)
    .fetch_one(connection)
    .await?;
    if too_much {
        return Err(DatabaseError::NotOwnDatabase(role));
    }
    Ok(())
}

/// Runs statements built from fixed names and from the catalogue, never from input.
pub(crate) async fn run(
    connection: &mut PgConnection,
    statements: String,
) -> Result<(), sqlx::Error> {
    sqlx::raw_sql(AssertSqlSafe(statements))
        .execute(connection)
        .await
        .map(drop)
}
