//! Joins services into one process, whether that is all of them or one alone.

use std::collections::BTreeMap;
use std::error::Error;
use std::sync::{Arc, OnceLock};

use axum::{Router, middleware};
use platform::compute::Room;
use platform::config::Secret;
use platform::database::{self, Schema};
use platform::feed::Announced;
use platform::gate::Gate;
use platform::health::Health;
use platform::operation::{CatalogueEntry, Context};
use platform::origin;
use platform::peers::{Peers, Place, ServiceName};
use platform::quota::Quotas;
use platform::server::{Background, Mounted};
use platform::steady::Steady;
use platform::token::Verifier;
use platform::{Clock, server, sweep};
use sqlx::PgPool;
use sqlx::postgres::PgConnectOptions;

use crate::settings::Settings;

/// The services that own tables.
pub const WITH_TABLES: [ServiceName; 4] = [
    ServiceName::Identity,
    ServiceName::Crossing,
    ServiceName::Evaluation,
    ServiceName::Release,
];

/// What a process needs to run services.
pub struct Plan {
    /// The services to run here.
    pub here: Vec<ServiceName>,
    /// Each one's database, as its own role.
    pub databases: BTreeMap<ServiceName, PgConnectOptions>,
    /// Most connections of each service.
    pub connections: u32,
    /// What each service proves itself with; of services elsewhere, only identity needs them.
    pub service_secrets: BTreeMap<ServiceName, Secret>,
    /// What founding a programme needs; none closes that door.
    pub setup_key: Option<Secret>,
    /// Addresses of services that run elsewhere.
    pub elsewhere: BTreeMap<ServiceName, String>,
    /// The time.
    pub clock: Clock,
    /// What the installation decides.
    pub settings: Settings,
    /// How the process is, as it tells.
    pub health: Health,
}

/// Services of this process, joined.
pub struct Assembled {
    /// REST, gRPC and pages.
    pub router: Router,
    /// What runs beside them.
    pub background: Vec<Background>,
    /// Reaches the services, of this process and elsewhere, in the dashboard's name.
    pub peers: Peers,
    /// Through which services of this process reach one another; keep it for as long as they serve.
    pub here: Arc<OnceLock<Router>>,
    /// Each service's tables.
    pub pools: BTreeMap<ServiceName, PgPool>,
}

/// The schema of a service that has tables.
pub fn schema(service: ServiceName) -> Option<Schema> {
    match service {
        ServiceName::Identity => Some(identity::schema()),
        ServiceName::Crossing => Some(crossing::schema()),
        ServiceName::Evaluation => Some(evaluation::schema()),
        ServiceName::Release => Some(release::schema()),
        ServiceName::Dashboard => None,
    }
}

/// Every operation of every service.
pub fn catalogue() -> Vec<CatalogueEntry> {
    let mut all = identity::operations::catalogue();
    all.extend(crossing::operations::catalogue());
    all.extend(evaluation::operations::catalogue());
    all.extend(release::operations::catalogue());
    all
}

/// Joins the services of a plan.
///
/// # Errors
/// When a database does not answer, a schema is not up to date or an address cannot be read.
pub async fn assemble(plan: Plan) -> Result<Assembled, Box<dyn Error + Send + Sync>> {
    let here = Arc::new(OnceLock::new());
    let mut places = BTreeMap::new();
    for service in WITH_TABLES {
        if plan.here.contains(&service) {
            places.insert(service, Place::Here(Arc::downgrade(&here)));
        } else if let Some(address) = plan.elsewhere.get(&service) {
            places.insert(service, Place::at(address)?);
        }
    }
    let peers_of = |service: ServiceName| {
        let secret = plan
            .service_secrets
            .get(&service)
            .map(|secret| secret.reveal().to_owned())
            .unwrap_or_default();
        Peers::new(service, secret, places.clone())
    };
    let Settings {
        faces,
        metrics_at,
        trusted_proxies,
        person,
        release,
    } = plan.settings;
    // One room and one gate: the cores and the memory are the process's.
    let (compute, gate) = (Room::default(), Gate::default());
    let mut mounted: Vec<Mounted> = Vec::new();
    let mut pools = BTreeMap::new();
    for &service in &plan.here {
        let Some(schema) = schema(service) else {
            mounted.push(dashboard::mount(
                peers_of(service),
                plan.clock.clone(),
                Arc::new(platform::openapi::describe(&catalogue())),
                faces,
                gate.clone(),
            ));
            continue;
        };
        let options = plan
            .databases
            .get(&service)
            .cloned()
            .ok_or_else(|| format!("the {service} service has no database"))?;
        let pool = database::connect(options, service, plan.connections).await?;
        database::require_current(&pool, &schema).await?;
        pools.insert(service, pool.clone());
        let peers = peers_of(service);
        let context = Context {
            service,
            steady: Steady::new(&pool),
            pool,
            clock: plan.clock.clone(),
            verifier: Arc::new(Verifier::new(peers.clone())),
            quotas: Arc::new(Quotas::new(person)),
            refusals: Arc::default(),
            compute: compute.clone(),
            gate: gate.clone(),
            announced: Announced::default(),
            health: plan.health.clone(),
            peers,
        };
        let numbering = platform::feed::keep_numbered(context.clone());
        let keeping = platform::quota::keep(context.clone());
        let refusing = platform::token::refuse_ended_grants(context.verifier.clone());
        mounted.push(match service {
            ServiceName::Identity => {
                let secrets = identity::Secrets {
                    services: plan.service_secrets.clone(),
                    setup_key: plan.setup_key.clone(),
                };
                identity::mount(context, secrets).await?
            }
            ServiceName::Crossing => crossing::mount(context),
            ServiceName::Evaluation => evaluation::mount(context),
            ServiceName::Release => release::mount(context, release.clone()),
            ServiceName::Dashboard => unreachable!("the dashboard has no schema"),
        });
        if let Some(service) = mounted.last_mut() {
            service.background.push(Box::pin(numbering));
            service.background.push(Box::pin(keeping));
            service.background.push(Box::pin(refusing));
        }
    }
    let (router, mut background) = server::assemble(mounted, &here, &plan.health, faces).await?;
    // Not on the router through which services of this process reach one another: there the first
    // caller's address stands.
    let router = router.layer(middleware::from_fn_with_state(
        Arc::new(trusted_proxies),
        origin::note,
    ));
    if let Some(address) = metrics_at {
        let shown = server::show_metrics(address)
            .await
            .map_err(|error| format!("DRUPELINE_METRICS: cannot listen on {address}: {error}"))?;
        background.push(shown);
    }
    for pool in pools.values() {
        background.push(Box::pin(sweep::keep_swept(
            pool.clone(),
            plan.clock.clone(),
        )));
    }
    Ok(Assembled {
        router,
        background,
        peers: peers_of(ServiceName::Dashboard),
        here,
        pools,
    })
}
