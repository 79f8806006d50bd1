//! The listening page: the whole round from a phone in the pump room, served from this one program, with no request to anywhere else.
//!
//! In goes a book; out comes a server. Handlers hold no arithmetic: each one reads what was asked, calls what the commands call, and
//! shapes the answer. The database waits on blocking threads, so none of this holds up another phone.
//!
//! | module | does |
//! | --- | --- |
//! | [`serve`] | listener, certificate, time limits, end on a signal |
//! | `guard` | who may do what: host, origin, session, token, role, headers of every answer |
//! | `pair`, `session` | codes that work once, cookies |
//! | `books`, `entries`, `events` | open books, entries made once, what the phones are told of |
//! | `state` | all parts of the server; a handler takes those that it needs, and only `serve` and `routes` know all |
//! | `ask`, `fault` | what came in, checked; what went wrong, in words |
//! | `assets` | the files of the page, compiled in |
//! | `rounds`, `uploads`, `photos`, `verdict`, `hear`, `history`, `tour`, `hours`, `work`, `note` | the functions of the commands |

mod ask;
pub mod assets;
mod books;
mod cert;
mod entries;
mod error;
mod events;
mod fault;
mod guard;
mod hear;
mod history;
mod hours;
mod limits;
mod note;
mod notice;
mod pair;
mod photos;
mod rounds;
mod routes;
pub mod serve;
mod session;
mod state;
mod tour;
mod uploads;
mod verdict;
mod work;

pub use limits::Limits;
pub use notice::{Codes, Notice};
pub use serve::{PageSettings, Running, start};
