//! What tests, benches, examples and fuzz targets take from inside the crate, name by name.
//!
//! Everything else is private to the crate, so that the compiler finds what nothing uses. A name that is needed outside gets its place
//! here, not a `pub mod` in `lib.rs`; the step "nothing that only tests use" of `.ci/run` leaves this module out.

#![allow(missing_docs, reason = "each name is documented where it is made")]

pub mod baseline {
    pub use crate::baseline::{nuisance_of, pair};
}

pub mod book {
    pub use crate::book::{
        Book, CheckReport, Kept, MAPS, METHOD, NameFault, NewClip, NewPump, NewRound, Overview, Recovered, RoundChange,
        RoundRow, RoundVerdict, SCHEMA, SpotRow, Stamp, TABLES, encode, fingerprint, sound_name,
    };
}

pub mod capture {
    pub use crate::capture::{CaptureError, Format, Source};
    pub mod fake {
        pub use crate::capture::fake::{Event, Fake, Pace};
    }
    pub mod listen {
        pub use crate::capture::listen::BandFilter;
    }
    pub mod recorder {
        pub use crate::capture::recorder::{Plan, Recorded, Track, record};
    }
}

pub mod clip {
    pub mod growing {
        pub mod log {
            pub use crate::clip::growing::log::{Ended, log_beside};
        }
        pub mod wav {
            pub use crate::clip::growing::wav::Depth;
        }
    }
    pub use crate::clip::{
        Calibration, Clip, ClipError, Code, CsvUnit, Effect, Finding, ReadSettings, Scale, calibrator,
        metres_per_s2_per_full_scale, parse_csv_bytes, parse_wav_bytes, read, taps,
    };
}

pub mod dsp {
    pub mod bands {
        pub use crate::dsp::bands::{N_BAND, band_edges_hz, usable_bands};
    }
    pub mod frames {
        pub use crate::dsp::frames::{BandFrames, FramePlan, HOP_S};
    }
}

pub mod handover {
    pub mod sign {
        pub use crate::handover::sign::signed_part;
    }
}

pub mod map {
    pub use crate::map::{
        AnalyseSettings, Analysis, FoldedMap, N_FINE, N_SWING, SWING_CELLS, Take, analyse, fold, fold_two, gram,
        leading, rate_too_low, tie_taps,
    };
}

pub mod page {
    pub use crate::page::{Codes, Limits, Notice, PageSettings, Running, start};
    pub mod assets {
        pub use crate::page::assets::ASSETS;
    }
}

pub mod pump {
    pub use crate::pump::{
        ATMOSPHERE_PA, Action, FiguresInput, LinerFigures, LinerRating, LinerState, check_liners, figures,
        precharge_at_temperature_pa, volumetric_efficiency,
    };
}

pub mod report {
    pub mod words {
        pub use crate::report::words::worst_first;
    }
}

pub mod robust {
    pub use crate::robust::{
        MAD_TO_SIGMA, TheilSen, mad, median, normal_quantile, normal_tail, normal_upper_quantile, quantile_sorted,
        t_tail, t_upper_quantile, theil_sen,
    };
}

pub mod sample {
    pub use crate::sample::{
        ClipSpec, Condition, DEMO, Fault, Recorded, Room, RoomSettings, RoundSpec, Scenario, ValveEvent, write_wav,
    };
}

pub mod score {
    pub use crate::score::{
        Angle, Best, ClipVerdict, Half, Item, JudgeError, JudgeSettings, Limit, Outcome, Pattern, PumpShape, State,
        compare, judge_all, n_rounds, odd_ones, solve,
    };
    pub mod trend {
        pub use crate::score::trend::ranks::rank_chart;
        pub use crate::score::trend::{
            DAY_S, PartMark, Trend, TrendInput, TrendRound, TrendSettings, TrendState, Witness, trend,
        };
    }
}

pub mod stroke {
    pub use crate::stroke::{
        Feature, LEAST_LOCK, Mark, MarkError, levels_db, pulse_marks, rhythm_from_marks, rhythms, second_rhythm,
        whittaker, zero_from_marks, zero_from_taps,
    };
}

pub mod tour {
    pub use crate::tour::{DEFAULT_SHEET, Life, Per, kaplan_meier, parse_sheet};
}

pub mod units {
    pub use crate::units::{UnitSystem, number};
}

pub mod watch {
    pub use crate::watch::{
        AlarmRule, Clock, Event, Heard, Kind, Line, Pace, Summary, Told, WatchError, WatchPlan, Wiring, watch, wav24,
    };
}
