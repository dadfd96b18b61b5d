//! Who asks, and what they may do.
//!
//! Deny unless granted: an operation names one [`Permission`], [`Permission::roles`] is the whole
//! policy, and no operation can be declared without one.

use crate::fault::Fault;
use crate::fields::{Fields, Words as _};
use crate::ids::{OrganisationId, PersonId, ProgrammeId};
use crate::operation::Operation;
use crate::peers::{PROGRAMME_METADATA, Reach, ServiceName};
use crate::quota::KeyInUse;

crate::words! {
    /// What a person is in a programme.
    pub enum Role {
        /// Keeps people, organisations and settings.
        Administrator = "administrator",
        /// Chooses parents, plans crosses and decides who goes on.
        Breeder = "breeder",
        /// Works the bloom, the seed and the planting.
        Field = "field",
        /// Lays out trials and takes records.
        Trials = "trials",
        /// Keeps filings, grants, licences and reports.
        Rights = "rights",
        /// Reads the pipeline as a whole.
        Manager = "manager",
        /// Speaks for an organisation outside the programme.
        Partner = "partner",
    }
}

impl Role {
    /// True for the programme's own people.
    pub fn is_staff(self) -> bool {
        self != Self::Partner
    }
}

crate::words! {
    /// What an operation asks of its caller.
    pub enum Permission {
        /// Open to everyone, signed in or not.
        Anyone = "anyone",
        /// Open to everyone who is signed in, partners too.
        SignedIn = "signed_in",
        /// Keep one's own account: for people, and not for the keys of devices and machines.
        OwnAccount = "own_account",
        /// One service asking another.
        Services = "services",
        /// Keep people and organisations.
        AdministerPeople = "administer_people",
        /// Read who wrote what.
        ReadAudit = "read_audit",
        /// Read the list of organisations.
        ReadOrganisations = "read_organisations",
        /// Read what the programme holds.
        ReadProgramme = "read_programme",
        /// Register and correct germplasm.
        WriteGermplasm = "write_germplasm",
        /// Open seasons and plan crosses.
        PlanCrosses = "plan_crosses",
        /// Work pollen, mothers and passes.
        WorkBloom = "work_bloom",
        /// Write the readings of weather stations.
        WriteWeather = "write_weather",
        /// Count fruit and seed, plant seedlings.
        RaiseSeedlings = "raise_seedlings",
        /// Load a season from files.
        ImportSeason = "import_season",
        /// Set up sites, traits and trials.
        ManageTrials = "manage_trials",
        /// Take records in trials.
        TakeRecords = "take_records",
        /// Decide which trees go on.
        SelectTrees = "select_trees",
        /// Register candidates and move them along.
        MoveCandidates = "move_candidates",
        /// Keep disclosures, denominations, filings and grants.
        KeepRights = "keep_rights",
        /// Grant licences and settle royalties.
        KeepLicences = "keep_licences",
        /// Read the pipeline to release, its dates and its forecast.
        ReadPipeline = "read_pipeline",
        /// Ask for release status as a partner.
        AskReleaseStatus = "ask_release_status",
        /// Report propagation under a licence.
        ReportPropagation = "report_propagation",
        /// Subscribe to events.
        KeepWebhooks = "keep_webhooks",
        /// Make and revoke keys of partners' devices and systems, and of the programme's own machines.
        KeepKeys = "keep_keys",
    }
}

impl Permission {
    /// The roles that hold this permission; the whole policy of the system.
    pub fn roles(self) -> &'static [Role] {
        use Role as R;
        match self {
            Self::Anyone | Self::SignedIn | Self::OwnAccount => &[
                R::Administrator,
                R::Breeder,
                R::Field,
                R::Trials,
                R::Rights,
                R::Manager,
                R::Partner,
            ],
            Self::Services => &[],
            Self::AdministerPeople => &[R::Administrator],
            Self::ReadAudit => &[R::Administrator, R::Manager],
            Self::ReadOrganisations => &[R::Administrator, R::Breeder, R::Rights, R::Manager],
            Self::ReadProgramme => &[
                R::Administrator,
                R::Breeder,
                R::Field,
                R::Trials,
                R::Rights,
                R::Manager,
            ],
            Self::WriteGermplasm | Self::PlanCrosses | Self::SelectTrees | Self::ImportSeason => {
                &[R::Breeder]
            }
            Self::WorkBloom | Self::WriteWeather | Self::RaiseSeedlings => &[R::Breeder, R::Field],
            Self::ManageTrials => &[R::Breeder, R::Trials],
            Self::TakeRecords => &[R::Breeder, R::Field, R::Trials],
            Self::MoveCandidates => &[R::Breeder, R::Rights],
            Self::KeepRights | Self::KeepLicences => &[R::Rights],
            Self::ReadPipeline => &[R::Administrator, R::Breeder, R::Rights, R::Manager],
            Self::AskReleaseStatus => &[R::Partner],
            Self::ReportPropagation => &[R::Rights, R::Partner],
            Self::KeepWebhooks => &[R::Administrator, R::Rights, R::Partner],
            Self::KeepKeys => &[R::Administrator, R::Partner],
        }
    }
}

/// What a key may do: permissions that keys are offered. Whatever needs no more than being signed
/// in, a key may do as well; a person's own account is not among it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeyScopes(u8);

impl KeyScopes {
    /// Permissions that a key of a partner's device or system can have.
    pub const OF_PARTNERS: [Permission; 3] = [
        Permission::AskReleaseStatus,
        Permission::ReportPropagation,
        Permission::KeepWebhooks,
    ];
    /// Permissions that a key of one of the programme's own machines can have.
    pub const OF_MACHINES: [Permission; 4] = [
        Permission::WriteWeather,
        Permission::TakeRecords,
        Permission::ReadProgramme,
        Permission::ReadPipeline,
    ];
    /// All that a partner's key can have.
    pub const WHOLE_PARTNER: Self = Self(0b111);

    fn offered() -> impl Iterator<Item = Permission> {
        Self::OF_PARTNERS.into_iter().chain(Self::OF_MACHINES)
    }

    fn bit(permission: Permission) -> u8 {
        Self::offered()
            .position(|offered| offered == permission)
            .map_or(0, |place| 1 << place)
    }

    /// The scopes of these words, noting a fault for each that is not among those offered.
    pub fn asked(
        fields: &mut Fields,
        field: &str,
        words: &[String],
        offered: &[Permission],
    ) -> Self {
        let mut scopes = Self(0);
        for (place, word) in words.iter().enumerate() {
            match Permission::from_word(word).filter(|asked| offered.contains(asked)) {
                Some(permission) => scopes.0 |= Self::bit(permission),
                None => {
                    let offered: Vec<&str> = offered.iter().map(|one| one.word()).collect();
                    fields.fault(
                        &format!("{field}/{place}"),
                        format!("{word:?} is not known; any of {}", offered.join(", ")),
                    );
                }
            }
        }
        scopes
    }

    /// The scopes of these words; `None` when there is none, or one that keys are not offered.
    pub fn read(words: &[String]) -> Option<Self> {
        let mut scopes = 0;
        for word in words {
            let bit = Self::bit(Permission::from_word(word)?);
            if bit == 0 {
                return None;
            }
            scopes |= bit;
        }
        (scopes != 0).then_some(Self(scopes))
    }

    /// Whether a permission is among them.
    pub fn holds(self, permission: Permission) -> bool {
        permission == Permission::SignedIn || self.0 & Self::bit(permission) != 0
    }

    /// Whether each of them is among those offered.
    pub fn are_among(self, offered: &[Permission]) -> bool {
        let all = offered.iter().fold(0, |all, one| all | Self::bit(*one));
        self.0 & !all == 0
    }

    /// Their words.
    pub fn words(self) -> impl Iterator<Item = &'static str> {
        Self::offered()
            .filter(move |permission| self.holds(*permission))
            .map(Permission::word)
    }
}

/// Who asks, as the token says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caller {
    /// The person or service.
    pub subject: PersonId,
    /// Name for the audit trail.
    pub name: String,
    /// The session, for signing out.
    pub session: Option<uuid::Uuid>,
    /// In what capacity.
    pub standing: Standing,
}

/// In what capacity a caller acts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// Not signed in.
    Nobody,
    /// Not signed in, and turned away at the door of a programme, whose matter that is.
    TurnedAway {
        /// The programme.
        programme: ProgrammeId,
    },
    /// One of the programme's own people.
    Staff {
        /// The programme.
        programme: ProgrammeId,
        /// Roles in it.
        roles: Vec<Role>,
    },
    /// Somebody who speaks for an organisation outside the programme.
    Partner {
        /// The programme.
        programme: ProgrammeId,
        /// The organisation.
        organisation: OrganisationId,
        /// The key of its device or system; none for a person.
        key: Option<KeyInUse>,
    },
    /// One of the programme's own machines, such as a weather logger.
    Machine {
        /// The programme.
        programme: ProgrammeId,
        /// Its key.
        key: KeyInUse,
    },
    /// Another service, for one programme when it names one.
    Service {
        /// Which it is.
        service: ServiceName,
        /// The programme it asks for.
        programme: Option<ProgrammeId>,
    },
}

impl Caller {
    /// A caller who is not signed in.
    pub fn nobody() -> Self {
        Self {
            subject: PersonId::from_uuid(uuid::Uuid::nil()),
            name: "nobody".into(),
            session: None,
            standing: Standing::Nobody,
        }
    }

    /// Somebody who was turned away at the door of a programme.
    pub fn turned_away(programme: ProgrammeId) -> Self {
        Self {
            standing: Standing::TurnedAway { programme },
            ..Self::nobody()
        }
    }

    /// The programme the caller acts in.
    pub fn programme(&self) -> Option<ProgrammeId> {
        match self.standing {
            Standing::Nobody => None,
            Standing::Staff { programme, .. }
            | Standing::Partner { programme, .. }
            | Standing::Machine { programme, .. }
            | Standing::TurnedAway { programme } => Some(programme),
            Standing::Service { programme, .. } => programme,
        }
    }

    /// The organisation a partner speaks for.
    pub fn partner(&self) -> Option<OrganisationId> {
        match self.standing {
            Standing::Partner { organisation, .. } => Some(organisation),
            _ => None,
        }
    }

    /// The key of a device, system or machine that the caller acts with.
    pub fn key(&self) -> Option<KeyInUse> {
        match self.standing {
            Standing::Partner { key, .. } => key,
            Standing::Machine { key, .. } => Some(key),
            _ => None,
        }
    }

    /// Roles of the caller.
    pub fn roles(&self) -> &[Role] {
        match &self.standing {
            Standing::Staff { roles, .. } => roles,
            Standing::Partner { .. } => &[Role::Partner],
            Standing::Nobody
            | Standing::TurnedAway { .. }
            | Standing::Machine { .. }
            | Standing::Service { .. } => &[],
        }
    }

    /// Holds the caller against an operation: a person or a key against its permission, a service
    /// against the list of what it may call.
    ///
    /// # Errors
    /// Unauthenticated when nobody is signed in, forbidden when the caller may not do it.
    pub fn may_call(&self, operation: &Operation) -> Result<(), Fault> {
        let Standing::Service { service, programme } = &self.standing else {
            return self.may(operation.permission);
        };
        if operation.permission == Permission::Anyone {
            return Ok(());
        }
        let name = format!("{}.{}", operation.service, operation.name);
        match service.reach_of(operation) {
            None => Err(Fault::forbidden(format!(
                "{name} is not among what the {service} service may call"
            ))),
            Some(Reach::OneProgramme) if programme.is_none() => Err(Fault::forbidden(format!(
                "{name} is asked for one programme; name it in {PROGRAMME_METADATA}"
            ))),
            Some(_) => Ok(()),
        }
    }

    /// Holds a person or a key against a permission.
    ///
    /// # Errors
    /// Unauthenticated when nobody is signed in, forbidden when the roles do not hold it.
    pub fn may(&self, permission: Permission) -> Result<(), Fault> {
        let allowed = match &self.standing {
            _ if permission == Permission::Anyone => true,
            Standing::Nobody | Standing::TurnedAway { .. } => {
                return Err(Fault::unauthenticated(
                    "sign in at POST /api/identity/v1/sessions and send the access token",
                ));
            }
            // A service may do what it is listed for; see `may_call`.
            Standing::Service { .. } => false,
            Standing::Partner { key: Some(key), .. } | Standing::Machine { key, .. }
                if !key.scopes.holds(permission) =>
            {
                let scopes: Vec<_> = key.scopes.words().collect();
                return Err(Fault::forbidden(format!(
                    "this key is for {} alone; use another, or have one made with the scope {}",
                    scopes.join(", "),
                    permission.word()
                )));
            }
            Standing::Machine { .. } => true,
            _ => self
                .roles()
                .iter()
                .any(|role| permission.roles().contains(role)),
        };
        if allowed {
            Ok(())
        } else {
            let holders: Vec<&str> = permission.roles().iter().map(|role| role.word()).collect();
            Err(Fault::forbidden(if holders.is_empty() {
                "this is for Drupeline's own services".to_owned()
            } else {
                format!("this needs one of the roles {}", holders.join(", "))
            }))
        }
    }
}
