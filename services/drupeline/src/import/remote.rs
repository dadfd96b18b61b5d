//! The services as the importing person sees them.

use std::collections::BTreeMap;

use contract::crossing::crossing_client::CrossingClient;
use contract::crossing::{
    FindNumberRequest, GetCrossRequest, GetMotherRequest, GetPollenLotRequest,
    ListGermplasmRequest, ListSeedlingsRequest,
};
use contract::evaluation::evaluation_client::EvaluationClient;
use contract::evaluation::{
    ListSitesRequest, ListTraitsRequest, ListTrialsRequest, Site, TraitDefinition, Trial,
};
use contract::identity::WhoAmIRequest;
use contract::identity::identity_client::IdentityClient;
use platform::Fault;
use platform::fault::FaultKind;
use platform::peers::{Authorised, Peers, ServiceName};
use platform::skin::BATCH_BYTES;

use super::form::Kind;

/// Most items asked for at once.
const PAGE: u32 = 500;

/// The services, as one person.
pub struct Remote<'a> {
    peers: &'a Peers,
    token: &'a str,
}

/// Follows a list to its end.
macro_rules! all_pages {
    ($client:expr, $method:ident, $request:expr) => {{
        let mut client = $client;
        let mut request = $request;
        let mut items = Vec::new();
        loop {
            let page = client.$method(request.clone()).await?.into_inner();
            items.extend(page.items);
            match page.next_cursor.filter(|cursor| !cursor.is_empty()) {
                Some(cursor) => request.cursor = cursor,
                None => break items,
            }
        }
    }};
}

impl<'a> Remote<'a> {
    /// The services as the person whom a token names.
    pub fn new(peers: &'a Peers, token: &'a str) -> Self {
        Self { peers, token }
    }

    /// The crossing service.
    ///
    /// # Errors
    /// When it has no place.
    pub fn crossing(&self) -> Result<CrossingClient<Authorised>, Fault> {
        let transport = self.peers.reach_as(ServiceName::Crossing, self.token)?;
        Ok(CrossingClient::new(transport)
            .max_decoding_message_size(BATCH_BYTES)
            .max_encoding_message_size(BATCH_BYTES))
    }

    /// The evaluation service.
    ///
    /// # Errors
    /// When it has no place.
    pub fn evaluation(&self) -> Result<EvaluationClient<Authorised>, Fault> {
        let transport = self.peers.reach_as(ServiceName::Evaluation, self.token)?;
        Ok(EvaluationClient::new(transport)
            .max_decoding_message_size(BATCH_BYTES)
            .max_encoding_message_size(BATCH_BYTES))
    }

    /// The programme that the person works in.
    ///
    /// # Errors
    /// When identity does not answer or the token does not hold.
    pub async fn programme(&self) -> Result<String, Fault> {
        let transport = self.peers.reach_as(ServiceName::Identity, self.token)?;
        let person = IdentityClient::new(transport)
            .who_am_i(WhoAmIRequest {})
            .await?
            .into_inner();
        Ok(person.programme_id)
    }

    /// Ids of the germplasm by name, in small letters.
    ///
    /// # Errors
    /// When crossing does not answer.
    pub async fn germplasm(&self) -> Result<BTreeMap<String, String>, Fault> {
        let all = all_pages!(
            self.crossing()?,
            list_germplasm,
            ListGermplasmRequest {
                limit: PAGE,
                ..Default::default()
            }
        );
        Ok(all
            .into_iter()
            .map(|plant| (plant.name.to_lowercase(), plant.id))
            .collect())
    }

    /// The id of what carries a number, when it is of the kind.
    ///
    /// # Errors
    /// When crossing does not answer.
    pub async fn numbered(&self, kind: Kind, number: &str) -> Result<Option<String>, Fault> {
        let words: &[&str] = match kind {
            Kind::Variety => &["germplasm", "seedling"],
            Kind::Mother => &["mother"],
            Kind::Lot => &["pollen_lot"],
            Kind::Cross => &["cross"],
            Kind::Site | Kind::Trial => return Ok(None),
        };
        let request = FindNumberRequest {
            number: number.to_owned(),
        };
        match self
            .crossing()?
            .find_number(request)
            .await
            .map_err(Fault::from)
        {
            Ok(found) => {
                let found = found.into_inner();
                Ok(words.contains(&found.kind.as_str()).then_some(found.id))
            }
            Err(fault) if matches!(fault.kind(), FaultKind::NotFound | FaultKind::Invalid) => {
                Ok(None)
            }
            Err(fault) => Err(fault),
        }
    }

    /// The id, when an earlier import made a thing of this kind with it.
    ///
    /// # Errors
    /// When crossing does not answer.
    pub async fn imported(&self, kind: Kind, id: &str) -> Result<Option<String>, Fault> {
        let mut crossing = self.crossing()?;
        let text = id.to_owned();
        let found = match kind {
            Kind::Mother => crossing
                .get_mother(GetMotherRequest { mother_id: text })
                .await
                .map(drop),
            Kind::Lot => crossing
                .get_pollen_lot(GetPollenLotRequest {
                    pollen_lot_id: text,
                })
                .await
                .map(drop),
            Kind::Cross => crossing
                .get_cross(GetCrossRequest { cross_id: text })
                .await
                .map(drop),
            Kind::Variety | Kind::Site | Kind::Trial => return Ok(None),
        };
        match found.map_err(Fault::from) {
            Ok(()) => Ok(Some(id.to_owned())),
            Err(fault) if fault.kind() == FaultKind::NotFound => Ok(None),
            Err(fault) => Err(fault),
        }
    }

    /// Ids of all of a cross's seedlings, whether they live or not, in the order of their numbers.
    ///
    /// # Errors
    /// When crossing does not answer.
    pub async fn seedlings(&self, cross_id: &str) -> Result<Vec<String>, Fault> {
        let request = ListSeedlingsRequest {
            cross_id: cross_id.to_owned(),
            living: None,
            limit: PAGE,
            ..Default::default()
        };
        let mut all = all_pages!(self.crossing()?, list_seedlings, request);
        all.sort_by(|a, b| a.number.cmp(&b.number));
        Ok(all.into_iter().map(|seedling| seedling.id).collect())
    }

    /// Every site.
    ///
    /// # Errors
    /// When evaluation does not answer.
    pub async fn sites(&self) -> Result<Vec<Site>, Fault> {
        Ok(all_pages!(
            self.evaluation()?,
            list_sites,
            ListSitesRequest {
                limit: PAGE,
                ..Default::default()
            }
        ))
    }

    /// Every trial, without its entries.
    ///
    /// # Errors
    /// When evaluation does not answer.
    pub async fn trials(&self) -> Result<Vec<Trial>, Fault> {
        Ok(all_pages!(
            self.evaluation()?,
            list_trials,
            ListTrialsRequest {
                limit: PAGE,
                ..Default::default()
            }
        ))
    }

    /// The trait library.
    ///
    /// # Errors
    /// When evaluation does not answer.
    pub async fn traits(&self) -> Result<Vec<TraitDefinition>, Fault> {
        Ok(self
            .evaluation()?
            .list_traits(ListTraitsRequest {})
            .await?
            .into_inner()
            .items)
    }
}
