//! What the server is made of; each handler takes the parts that it needs.

use std::sync::Arc;

use axum::extract::FromRef;

use super::assets::Authority;
use super::books::Books;
use super::entries::Entries;
use super::events::Phones;
use super::guard::Gate;
use super::hear::Listening;
use super::limits::Limits;
use super::note::Rig;
use super::pair::Door;
use super::uploads::Receiving;
use super::verdict::Judging;

/// All parts; a copy of it is the same server.
#[derive(Debug, Clone)]
pub(super) struct Server {
    pub(super) limits: Limits,
    pub(super) gate: Gate,
    pub(super) door: Door,
    pub(super) rig: Rig,
    pub(super) authority: Authority,
    pub(super) books: Books,
    pub(super) phones: Phones,
    pub(super) entries: Entries,
    pub(super) receiving: Arc<Receiving>,
    pub(super) judging: Arc<Judging>,
    pub(super) listening: Arc<Listening>,
}

impl FromRef<Server> for Limits {
    fn from_ref(server: &Server) -> Self {
        server.limits
    }
}

macro_rules! parts {
    ($($part:ident: $of:ty,)*) => {$(
        impl FromRef<Server> for $of {
            fn from_ref(server: &Server) -> Self {
                server.$part.clone()
            }
        }
    )*};
}

parts! {
    gate: Gate,
    door: Door,
    rig: Rig,
    authority: Authority,
    books: Books,
    phones: Phones,
    entries: Entries,
    receiving: Arc<Receiving>,
    judging: Arc<Judging>,
    listening: Arc<Listening>,
}
