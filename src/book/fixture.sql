-- A row in every table, by the form in which the table came; tests of migrations and exports read it. Invented throughout.
-- form 1
INSERT OR IGNORE INTO book (id, uuid, made_at) VALUES (1, 'b00c', '2026-01-01T00:00:00+00:00');
INSERT INTO pump (id, uuid, name, firing_order, stroke_m, rod_m, gear_ratio, rod_load_n, liner_m, units, made_at)
VALUES (1, 'a1', 'MP-1', '1,3,2', 0.3048, 0.0762, 3.439, 690000.0, 0.1651, 'us', '2026-01-01T00:00:00+00:00'),
       (2, 'a2', 'MP-2', '1,2,3', 0.3048, NULL, NULL, NULL, NULL, 'si', '2026-01-02T00:00:00+00:00');
INSERT INTO liner (pump_id, bore_m, rating_pa) VALUES (1, 0.1651, 20000000.0);
INSERT INTO spot (id, uuid, pump_id, module, name, note) VALUES
    (1, 's1', 1, 1, 'main', 'white dot'), (2, 's2', 1, 2, 'main', ''), (3, 's3', 1, 3, 'main', '');
INSERT INTO round (id, uuid, pump_id, started_at, started_ms, closed_at, spm, pressure_pa, mud_kg_m3, liner_m, crew, remarks)
VALUES (1, 'd1', 1, '2026-02-01T06:00:00+00:00', 1769925600000, '2026-02-01T06:20:00+00:00', 72.5, 18000000.0, 1222.0, 0.1651,
        'derrickman', 'said "fine", then
left'),
       (2, 'd2', 1, '2026-02-02T06:00:00+00:00', 1770012000000, NULL, NULL, NULL, NULL, NULL, '', '');
INSERT INTO clip (id, uuid, round_id, spot_id, file, sha256, bytes, original, taken_at, pulse, added_at)
VALUES (1, 'c1', 1, 2, 'clips/one.wav', '00000000000000000000000000000000000000000000000000000000000000aa', 12, 'one.wav',
        '2026-02-01T06:05:00+00:00', 2, '2026-02-01T07:00:00+00:00');
INSERT INTO good (id, uuid, round_id, pump_id, module, started_ms, accepted_at, accepted_by, dropped_at, dropped_why)
VALUES (1, 'e1', 1, 1, 2, 1769925600000, '2026-02-01T08:00:00+00:00', 'derrickman', '2026-02-03T08:00:00+00:00', 'a spanner fell');
INSERT INTO restart (id, uuid, pump_id, module, at, at_ms, why)
VALUES (1, 'f1', 1, 2, '2026-02-03T12:00:00+00:00', 1770120000000, 'discharge seat');
INSERT INTO analysis (clip_id, method, hint_spm, data, made_at) VALUES (1, 1, 72.5, x'0011', '2026-02-01T07:01:00+00:00');
INSERT INTO verdict (id, uuid, round_id, method, basis, made_at, current, document)
VALUES (1, '91', 1, 1, '{"method":1}', '2026-02-01T07:02:00+00:00', 1, '{"schema":"seatsong.verdict/1"}');
INSERT INTO verdict_clip (verdict_id, clip_id, pump_id, module, started_ms, current, state, departure, false_alarm, excess_db, half, pattern,
    spm, level_db)
VALUES (1, 1, 1, 2, 1769925600000, 1, 'drifting', 1.25, 0.004, 1.5, 'suction', 'hiss', 72.25, -0.5);
-- form 2
INSERT INTO check_entry (id, uuid, check_name, pump_id, module, at, at_ms, by_position, outcome, reason, entered_at)
VALUES (1, '11', 'oil-pressure', 1, NULL, '2026-02-01T06:30:00+00:00', 1769927400000, 'derrickman', 'fine', '', '2026-02-01T06:31:00+00:00'),
       (2, '12', 'safety-shower', NULL, NULL, '2026-02-01T06:40:00+00:00', 1769928000000, 'derrickman', 'skipped', 'frozen',
        '2026-02-01T06:41:00+00:00');
INSERT INTO answer (id, check_entry_id, ask, kind, words, value_si, unit, confirmed) VALUES (1, 1, 'after', 'reading', '', 275790.29, 'psi', 1);
INSERT INTO concern (id, uuid, pump_id, words, since_at, since_ms, by_position, closed_at, closed_ms, closed_by, closed_why)
VALUES (1, '21', 1, 'drip', '2026-02-01T06:45:00+00:00', 1769928300000, 'derrickman', '2026-02-02T06:45:00+00:00', 1770014700000, 'relief', 'dry');
INSERT INTO part (id, uuid, pump_id, module, kind, side, fitted_at, fitted_ms, fitted_by, out_at, out_ms, why, condition, photo)
VALUES (1, '31', 1, 2, 'seat', 'discharge', '2026-01-03T06:00:00+00:00', 1767420000000, 'mechanic', '2026-02-03T12:00:00+00:00', 1770120000000,
        'washed', 'cut', 'seat.jpg');
INSERT INTO run_log (id, uuid, pump_id, from_ms, to_ms, hours, by_position, entered_at)
VALUES (1, '41', 1, 1769904000000, 1769947200000, 11.5, 'driller', '2026-02-01T12:00:00+00:00');
INSERT INTO job (id, uuid, pump_id, words, started_at, started_ms, by_position)
VALUES (1, '51', 1, 'module 2, discharge seat', '2026-02-03T11:00:00+00:00', 1770116400000, 'mechanic');
INSERT INTO job_entry (id, job_id, document, entered_at)
VALUES (1, 1, '{"at":"2026-02-03T11:05:00Z","by":"mechanic","event":"called-off","reason":"no permit"}', '2026-02-03T11:05:00+00:00');
INSERT INTO note (id, uuid, tour_start_ms, tour_end_ms, html, sha256, giver, given_at)
VALUES (1, '61', 1769925600000, 1769968800000, '<main>a "note", two
lines</main>', '00000000000000000000000000000000000000000000000000000000000000bb', 'derrickman', '2026-02-01T17:50:00+00:00');
INSERT INTO amendment (id, note_id, at, at_ms, by_position, words)
VALUES (1, 1, '2026-02-01T18:10:00+00:00', 1769969400000, 'relief', 'gauge was 2610');
-- form 3
UPDATE verdict_clip SET hiss_sd = 2.5, heard_from = 3;
INSERT INTO to_analyse (clip_id, method, hint_spm) VALUES (1, 2, 72.5);
-- form 4
INSERT INTO capture (clip_id, device, ended, length_s, overruns, lost_frames, gaps, taps_s)
VALUES (1, 'made-up card', 'cut', 41.5, 1, 480, '[{"at_s":3.5,"lost_frames":480,"filled_frames":480}]', '[1.25,2.08]');
-- form 5
INSERT INTO page_answer (key, asked, answer, entered_at) VALUES ('k1', 'POST /api/rounds {}', '{"round":1}', '2026-02-01T06:00:00+00:00');
INSERT INTO upload (id, key, round_id, spot_id, bytes, sha256, taken_at, taken_ms, taps, clip_id, begun_at, touched_ms)
VALUES ('0123456789abcdef0123456789abcdef', 'k2', 1, 2, 12, '00000000000000000000000000000000000000000000000000000000000000aa',
        '2026-02-01T06:05:00+00:00', 1769925900000, '1.25,2.08', 1, '2026-02-01T06:06:00+00:00', 1769925960000);
INSERT INTO clip_taps (clip_id, taps_s) VALUES (1, '1.25,2.08');
-- form 6
INSERT INTO watch_line (spot_id, at_ms, state, departure, spm, strokes, lock, level_dbfs, alarm, reason)
VALUES (2, 1770012000000, 'drifting', 1.5, 72.25, 40, 0.93, -21.5, 1, NULL), (3, 1770012000000, 'stopped', NULL, NULL, NULL, NULL, -60.5, 0, 'no rhythm');
INSERT INTO watch_event (id, uuid, pump_id, spot_id, at, at_ms, kind, words)
VALUES (1, '71', 1, 2, '2026-02-02T06:00:00+00:00', 1770012000000, 'alarm', '5 of the last 8 windows'),
       (2, '72', NULL, NULL, '2026-02-02T06:01:00+00:00', 1770012060000, 'gap', 'device lost');
INSERT INTO watch_round (round_id, kind) VALUES (2, 'alarm');
-- form 7
INSERT INTO photo (id, uuid, file, sha256, bytes, original, added_at)
VALUES (1, '81', 'photos/2026-02/cc.jpg', '00000000000000000000000000000000000000000000000000000000000000cc', 2048, 'seat.jpg',
        '2026-02-03T12:05:00+00:00');
INSERT INTO takeover (id, uuid, note_id, receiver, taken_at, taken_ms, sha256, remark)
VALUES (1, '82', 1, 'relief derrickman', '2026-02-01T18:05:00+00:00', 1769969100000,
        '00000000000000000000000000000000000000000000000000000000000000bb', '');
-- form 8
INSERT INTO import_begun (round_id, asked, files)
VALUES (2, '[null,{"spm":72.5}]', '[{"file":"usb/m2.wav","taken_at":"2026-02-02T06:00:00+00:00","sha256":"00000000000000000000000000000000000000000000000000000000000000dd"}]');
