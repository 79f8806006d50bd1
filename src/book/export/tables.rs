//! The tables of an export: their columns in order, and where each comes from.

use super::Kind::{Real, Text, Whole};
use super::Table;

/// The tables. Keys are those that stay the same in every book, so that exports of several rigs can be put together.
pub const TABLES: &[Table] = &[
    Table {
        name: "pumps",
        columns: &[
            ("pump_key", Text),
            ("pump", Text),
            ("firing_order", Text),
            ("stroke_m", Real),
            ("rod_m", Real),
            ("gear_ratio", Real),
            ("rod_load_n", Real),
            ("liner_m", Real),
            ("units", Text),
            ("made_at", Text),
        ],
        sql: "SELECT p.uuid, p.name, p.firing_order, p.stroke_m, p.rod_m, p.gear_ratio, p.rod_load_n, p.liner_m, p.units, p.made_at FROM pump p ORDER BY p.name",
    },
    Table {
        name: "liners",
        columns: &[("pump_key", Text), ("bore_m", Real), ("rating_pa", Real)],
        sql: "SELECT p.uuid, l.bore_m, l.rating_pa FROM liner l JOIN pump p ON p.id = l.pump_id ORDER BY p.name, l.bore_m",
    },
    Table {
        name: "spots",
        columns: &[("spot_key", Text), ("pump_key", Text), ("module", Whole), ("spot", Text), ("note", Text)],
        sql: "SELECT s.uuid, p.uuid, s.module, s.name, s.note FROM spot s JOIN pump p ON p.id = s.pump_id ORDER BY p.name, s.module, s.id",
    },
    Table {
        name: "rounds",
        columns: &[
            ("round_key", Text),
            ("round", Whole),
            ("pump_key", Text),
            ("started_at", Text),
            ("started_ms", Whole),
            ("closed_at", Text),
            ("spm", Real),
            ("pressure_pa", Real),
            ("mud_kg_m3", Real),
            ("liner_m", Real),
            ("crew", Text),
            ("remarks", Text),
        ],
        sql: "SELECT r.uuid, r.id, p.uuid, r.started_at, r.started_ms, r.closed_at, r.spm, r.pressure_pa, r.mud_kg_m3, r.liner_m, r.crew, r.remarks
              FROM round r JOIN pump p ON p.id = r.pump_id ORDER BY r.started_ms, r.id",
    },
    Table {
        name: "clips",
        columns: &[
            ("clip_key", Text),
            ("round_key", Text),
            ("spot_key", Text),
            ("module", Whole),
            ("file", Text),
            ("sha256", Text),
            ("bytes", Whole),
            ("original", Text),
            ("taken_at", Text),
            ("pulse_channel", Whole),
            ("added_at", Text),
        ],
        sql: "SELECT c.uuid, r.uuid, s.uuid, s.module, c.file, c.sha256, c.bytes, c.original, c.taken_at, c.pulse, c.added_at
              FROM clip c JOIN round r ON r.id = c.round_id JOIN spot s ON s.id = c.spot_id ORDER BY r.started_ms, c.id",
    },
    Table {
        name: "captures",
        columns: &[
            ("clip_key", Text),
            ("device", Text),
            ("ended", Text),
            ("length_s", Real),
            ("overruns", Whole),
            ("lost_frames", Whole),
            ("gaps", Text),
            ("taps_s", Text),
        ],
        sql: "SELECT c.uuid, e.device, e.ended, e.length_s, e.overruns, e.lost_frames, e.gaps, e.taps_s
              FROM capture e JOIN clip c ON c.id = e.clip_id ORDER BY c.id",
    },
    Table {
        name: "taps",
        columns: &[("clip_key", Text), ("taps_s", Text)],
        sql: "SELECT c.uuid, t.taps_s FROM clip_taps t JOIN clip c ON c.id = t.clip_id ORDER BY c.id",
    },
    Table {
        name: "good",
        columns: &[
            ("good_key", Text),
            ("round_key", Text),
            ("module", Whole),
            ("accepted_at", Text),
            ("accepted_by", Text),
            ("dropped_at", Text),
            ("dropped_why", Text),
        ],
        sql: "SELECT g.uuid, r.uuid, g.module, g.accepted_at, g.accepted_by, g.dropped_at, g.dropped_why
              FROM good g JOIN round r ON r.id = g.round_id ORDER BY g.started_ms, g.id",
    },
    Table {
        name: "restarts",
        columns: &[("restart_key", Text), ("pump_key", Text), ("module", Whole), ("at", Text), ("at_ms", Whole), ("why", Text)],
        sql: "SELECT t.uuid, p.uuid, t.module, t.at, t.at_ms, t.why FROM restart t JOIN pump p ON p.id = t.pump_id ORDER BY t.at_ms, t.id",
    },
    Table {
        name: "verdicts",
        columns: &[
            ("verdict_key", Text),
            ("round_key", Text),
            ("clip_key", Text),
            ("module", Whole),
            ("made_at", Text),
            ("method", Whole),
            ("current", Whole),
            ("state", Text),
            ("departure", Real),
            ("false_alarm", Real),
            ("excess_db", Real),
            ("half", Text),
            ("pattern", Text),
            ("spm", Real),
            ("level_db", Real),
            ("hiss_sd", Real),
            ("heard_from", Whole),
        ],
        sql: "SELECT v.uuid, r.uuid, c.uuid, l.module, v.made_at, v.method, v.current, l.state, l.departure, l.false_alarm, l.excess_db,
                l.half, l.pattern, l.spm, l.level_db, l.hiss_sd, l.heard_from
              FROM verdict v JOIN round r ON r.id = v.round_id JOIN verdict_clip l ON l.verdict_id = v.id JOIN clip c ON c.id = l.clip_id
              ORDER BY r.started_ms, v.id, c.id",
    },
    Table {
        name: "verdict_documents",
        columns: &[
            ("verdict_key", Text),
            ("round_key", Text),
            ("method", Whole),
            ("made_at", Text),
            ("current", Whole),
            ("basis", Text),
            ("document", Text),
        ],
        sql: "SELECT v.uuid, r.uuid, v.method, v.made_at, v.current, v.basis, v.document
              FROM verdict v JOIN round r ON r.id = v.round_id ORDER BY r.started_ms, v.id",
    },
    Table {
        name: "checks",
        columns: &[
            ("check_key", Text),
            ("check", Text),
            ("pump_key", Text),
            ("module", Whole),
            ("at", Text),
            ("at_ms", Whole),
            ("by", Text),
            ("outcome", Text),
            ("reason", Text),
            ("entered_at", Text),
        ],
        sql: "SELECT e.uuid, e.check_name, p.uuid, e.module, e.at, e.at_ms, e.by_position, e.outcome, e.reason, e.entered_at
              FROM check_entry e LEFT JOIN pump p ON p.id = e.pump_id ORDER BY e.at_ms, e.id",
    },
    Table {
        name: "readings",
        columns: &[
            ("check_key", Text),
            ("ask", Text),
            ("kind", Text),
            ("words", Text),
            ("value_si", Real),
            ("unit_typed", Text),
            ("confirmed", Whole),
        ],
        sql: "SELECT e.uuid, a.ask, a.kind, a.words, a.value_si, a.unit, a.confirmed
              FROM answer a JOIN check_entry e ON e.id = a.check_entry_id ORDER BY e.at_ms, e.id, a.id",
    },
    Table {
        name: "concerns",
        columns: &[
            ("concern_key", Text),
            ("pump_key", Text),
            ("words", Text),
            ("since_at", Text),
            ("since_ms", Whole),
            ("by", Text),
            ("closed_at", Text),
            ("closed_ms", Whole),
            ("closed_by", Text),
            ("closed_why", Text),
        ],
        sql: "SELECT c.uuid, p.uuid, c.words, c.since_at, c.since_ms, c.by_position, c.closed_at, c.closed_ms, c.closed_by, c.closed_why
              FROM concern c LEFT JOIN pump p ON p.id = c.pump_id ORDER BY c.since_ms, c.id",
    },
    Table {
        name: "parts",
        columns: &[
            ("part_key", Text),
            ("pump_key", Text),
            ("module", Whole),
            ("kind", Text),
            ("side", Text),
            ("fitted_at", Text),
            ("fitted_ms", Whole),
            ("fitted_by", Text),
            ("out_at", Text),
            ("out_ms", Whole),
            ("why", Text),
            ("condition", Text),
            ("photo", Text),
        ],
        sql: "SELECT x.uuid, p.uuid, x.module, x.kind, x.side, x.fitted_at, x.fitted_ms, x.fitted_by, x.out_at, x.out_ms, x.why, x.condition, x.photo
              FROM part x JOIN pump p ON p.id = x.pump_id ORDER BY x.fitted_ms, x.id",
    },
    Table {
        name: "running_hours",
        columns: &[
            ("run_key", Text),
            ("pump_key", Text),
            ("from_ms", Whole),
            ("to_ms", Whole),
            ("hours", Real),
            ("by", Text),
            ("entered_at", Text),
        ],
        sql: "SELECT h.uuid, p.uuid, h.from_ms, h.to_ms, h.hours, h.by_position, h.entered_at
              FROM run_log h JOIN pump p ON p.id = h.pump_id ORDER BY h.from_ms, h.id",
    },
    Table {
        name: "jobs",
        columns: &[
            ("job_key", Text),
            ("pump_key", Text),
            ("words", Text),
            ("started_at", Text),
            ("started_ms", Whole),
            ("by", Text),
        ],
        sql: "SELECT j.uuid, p.uuid, j.words, j.started_at, j.started_ms, j.by_position
              FROM job j JOIN pump p ON p.id = j.pump_id ORDER BY j.started_ms, j.id",
    },
    Table {
        name: "job_entries",
        columns: &[("job_key", Text), ("document", Text), ("entered_at", Text)],
        sql: "SELECT j.uuid, e.document, e.entered_at FROM job_entry e JOIN job j ON j.id = e.job_id ORDER BY j.started_ms, j.id, e.id",
    },
    Table {
        name: "notes",
        columns: &[
            ("note_key", Text),
            ("tour_start_ms", Whole),
            ("tour_end_ms", Whole),
            ("giver", Text),
            ("given_at", Text),
            ("sha256", Text),
            ("html", Text),
        ],
        sql: "SELECT n.uuid, n.tour_start_ms, n.tour_end_ms, n.giver, n.given_at, n.sha256, n.html FROM note n ORDER BY n.tour_start_ms",
    },
    Table {
        name: "amendments",
        columns: &[("note_key", Text), ("at", Text), ("at_ms", Whole), ("by", Text), ("words", Text)],
        sql: "SELECT n.uuid, a.at, a.at_ms, a.by_position, a.words FROM amendment a JOIN note n ON n.id = a.note_id ORDER BY a.at_ms, a.id",
    },
    Table {
        name: "takeovers",
        columns: &[
            ("takeover_key", Text),
            ("note_key", Text),
            ("receiver", Text),
            ("taken_at", Text),
            ("taken_ms", Whole),
            ("sha256", Text),
            ("remark", Text),
        ],
        sql: "SELECT t.uuid, n.uuid, t.receiver, t.taken_at, t.taken_ms, t.sha256, t.remark FROM takeover t JOIN note n ON n.id = t.note_id ORDER BY t.taken_ms, t.id",
    },
    Table {
        name: "photos",
        columns: &[
            ("photo_key", Text),
            ("file", Text),
            ("sha256", Text),
            ("bytes", Whole),
            ("original", Text),
            ("added_at", Text),
        ],
        sql: "SELECT f.uuid, f.file, f.sha256, f.bytes, f.original, f.added_at FROM photo f ORDER BY f.id",
    },
    Table {
        name: "watch_lines",
        columns: &[
            ("spot_key", Text),
            ("module", Whole),
            ("at_ms", Whole),
            ("state", Text),
            ("departure", Real),
            ("spm", Real),
            ("strokes", Whole),
            ("lock", Real),
            ("level_dbfs", Real),
            ("alarm", Whole),
            ("reason", Text),
        ],
        sql: "SELECT s.uuid, s.module, l.at_ms, l.state, l.departure, l.spm, l.strokes, l.lock, l.level_dbfs, l.alarm, l.reason
              FROM watch_line l JOIN spot s ON s.id = l.spot_id ORDER BY l.at_ms, s.id",
    },
    Table {
        name: "watch_events",
        columns: &[
            ("event_key", Text),
            ("pump_key", Text),
            ("spot_key", Text),
            ("at", Text),
            ("at_ms", Whole),
            ("kind", Text),
            ("words", Text),
        ],
        sql: "SELECT e.uuid, p.uuid, s.uuid, e.at, e.at_ms, e.kind, e.words FROM watch_event e LEFT JOIN pump p ON p.id = e.pump_id
              LEFT JOIN spot s ON s.id = e.spot_id ORDER BY e.at_ms, e.id",
    },
    Table {
        name: "watch_rounds",
        columns: &[("round_key", Text), ("kind", Text)],
        sql: "SELECT r.uuid, w.kind FROM watch_round w JOIN round r ON r.id = w.round_id ORDER BY r.id",
    },
    Table {
        name: "book",
        columns: &[("book_key", Text), ("made_at", Text)],
        sql: "SELECT b.uuid, b.made_at FROM book b",
    },
];

/// The table of stroke maps: one row a cell.
pub const MAPS: Table = Table {
    name: "maps",
    columns: &[
        ("clip_key", Text),
        ("method", Whole),
        ("made_at", Text),
        ("hint_spm", Real),
        ("take", Whole),
        ("take_spm", Real),
        ("lock", Real),
        ("zero_deg", Real),
        ("angle_deg", Real),
        ("band_low_hz", Real),
        ("band_high_hz", Real),
        ("level_db", Real),
    ],
    sql: "SELECT c.uuid, a.method, a.made_at, a.hint_spm, a.data FROM analysis a JOIN clip c ON c.id = a.clip_id ORDER BY c.id, a.method",
};
