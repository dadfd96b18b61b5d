//! Ids that cannot be taken for one another.

use std::fmt;
use std::hash::{Hash, Hasher};
use std::marker::PhantomData;
use std::str::FromStr;

use sqlx::postgres::{PgArgumentBuffer, PgHasArrayType, PgTypeInfo, PgValueRef};
use sqlx::{Decode, Encode, Postgres, Type};
use uuid::Uuid;

/// A UUID that names one kind of thing; new ones are of version 7, so that they sort by time.
pub struct Id<T>(Uuid, PhantomData<fn() -> T>);

impl<T> Id<T> {
    /// A new id of version 7.
    #[expect(clippy::new_without_default, reason = "each is another one")]
    pub fn new() -> Self {
        Self(Uuid::now_v7(), PhantomData)
    }

    /// The id with a known UUID.
    pub const fn from_uuid(uuid: Uuid) -> Self {
        Self(uuid, PhantomData)
    }

    /// The bare UUID.
    pub const fn uuid(self) -> Uuid {
        self.0
    }
}

impl<T> Clone for Id<T> {
    fn clone(&self) -> Self {
        *self
    }
}

impl<T> Copy for Id<T> {}

impl<T> PartialEq for Id<T> {
    fn eq(&self, other: &Self) -> bool {
        self.0 == other.0
    }
}

impl<T> Eq for Id<T> {}

impl<T> PartialOrd for Id<T> {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl<T> Ord for Id<T> {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.cmp(&other.0)
    }
}

impl<T> Hash for Id<T> {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.0.hash(state);
    }
}

impl<T> fmt::Debug for Id<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl<T> fmt::Display for Id<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl<T> serde::Serialize for Id<T> {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.0.serialize(serializer)
    }
}

impl<'de, T> serde::Deserialize<'de> for Id<T> {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Uuid::deserialize(deserializer).map(Self::from_uuid)
    }
}

impl<T> FromStr for Id<T> {
    type Err = uuid::Error;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Ok(Self(text.parse()?, PhantomData))
    }
}

impl<T> Type<Postgres> for Id<T> {
    fn type_info() -> PgTypeInfo {
        <Uuid as Type<Postgres>>::type_info()
    }
}

impl<T> PgHasArrayType for Id<T> {
    fn array_type_info() -> PgTypeInfo {
        <Uuid as PgHasArrayType>::array_type_info()
    }
}

impl<'q, T> Encode<'q, Postgres> for Id<T> {
    fn encode_by_ref(
        &self,
        buffer: &mut PgArgumentBuffer,
    ) -> Result<sqlx::encode::IsNull, sqlx::error::BoxDynError> {
        <Uuid as Encode<'q, Postgres>>::encode_by_ref(&self.0, buffer)
    }
}

impl<'r, T> Decode<'r, Postgres> for Id<T> {
    fn decode(value: PgValueRef<'r>) -> Result<Self, sqlx::error::BoxDynError> {
        Ok(Self(
            <Uuid as Decode<'r, Postgres>>::decode(value)?,
            PhantomData,
        ))
    }
}

/// Declares id types: `ids! { /// A cross. CrossId for Cross }`.
#[macro_export]
macro_rules! ids {
    ($($(#[$meta:meta])* $name:ident for $kind:ident),+ $(,)?) => {
        $(
            #[doc = concat!("Marker of [`", stringify!($name), "`].")]
            #[derive(Debug, Clone, Copy)]
            pub struct $kind;
            $(#[$meta])*
            pub type $name = $crate::ids::Id<$kind>;
        )+
    };
}

ids! {
    /// A breeding programme, the tenant.
    ProgrammeId for ProgrammeKind,
    /// A person or a service that acts.
    PersonId for PersonKind,
    /// An organisation that the programme works with.
    OrganisationId for OrganisationKind,
}
