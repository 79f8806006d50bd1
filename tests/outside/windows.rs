//! Window figures of merit (CHECKS.md section 3).
//!
//! Computed column: periodic form, N = 4096, computed with scipy 1.17.1. Printed columns: CMSIS-DSP documentation, pages WindowHANNING,
//! WindowHAMMING, WindowBLACKMAN_HARRIS_92DB, which follow Heinzel, Ruediger, Schilling 2002. Harris, Proc. IEEE 66 (1978) table 1:
//! from memory of the table.

use seatsong::spectrum::{Ends, Window, coherent_gain, enbw_bins, highest_side_lobe_db, scalloping_loss_db};

use crate::near;

struct Row {
    id: &'static str,
    window: Window,
    /// Coherent gain, ENBW in bins, scalloping in dB, highest side lobe in dB, worst-case loss in dB: computed.
    computed: [f64; 5],
    /// ENBW, scalloping, side lobe as printed by CMSIS-DSP.
    printed: Option<[f64; 3]>,
    /// Side lobe, coherent gain, ENBW, scalloping, worst case of Harris table 1, from memory.
    harris: [f64; 5],
}

const ROWS: [Row; 6] = [
    Row {
        id: "V1",
        window: Window::Rectangular,
        computed: [1.0, 1.0, 3.9224, -13.26, 3.92],
        printed: None,
        harris: [-13.0, 1.00, 1.00, 3.92, 3.92],
    },
    Row {
        id: "V2",
        window: Window::Hann,
        computed: [0.5, 1.5, 1.4236, -31.47, 3.18],
        printed: Some([1.5, 1.4236, -31.5]),
        harris: [-32.0, 0.50, 1.50, 1.42, 3.18],
    },
    Row {
        id: "V3",
        window: Window::Hamming,
        computed: [0.54, 1.3628, 1.7514, -42.68, 3.10],
        printed: Some([1.3628, 1.7514, -42.7]),
        harris: [-43.0, 0.54, 1.36, 1.78, 3.10],
    },
    Row {
        id: "V4",
        window: Window::Blackman,
        computed: [0.42, 1.7268, 1.0989, -58.11, 3.47],
        printed: None,
        harris: [-58.0, 0.42, 1.73, 1.10, 3.47],
    },
    Row {
        id: "V5",
        window: Window::BlackmanHarris,
        computed: [0.3588, 2.0044, 0.8256, -92.01, 3.85],
        printed: Some([2.0044, 0.8256, -92.0]),
        harris: [-92.0, 0.36, 2.00, 0.83, 3.85],
    },
    Row {
        id: "V6",
        window: Window::Triangular,
        computed: [0.5002, 1.3327, 1.8260, -26.52, 3.07],
        printed: None,
        harris: [-27.0, 0.50, 1.33, 1.82, 3.07],
    },
];

#[test]
fn figures_of_merit_v1_to_v6() {
    for row in ROWS {
        let w = row.window.samples(4096, Ends::Periodic);
        let gain = coherent_gain(&w).unwrap();
        let enbw = enbw_bins(&w).unwrap();
        let scalloping = scalloping_loss_db(&w).unwrap();
        let lobe = highest_side_lobe_db(&w, 64).unwrap();
        let worst = scalloping + 10.0 * enbw.log10();
        let id = row.id;

        let [want_gain, want_enbw, want_scalloping, want_lobe, want_worst] = row.computed;
        near(&format!("{id} coherent gain"), gain, want_gain, 1e-4);
        near(&format!("{id} ENBW"), enbw, want_enbw, 1e-4);
        near(&format!("{id} scalloping"), scalloping, want_scalloping, 1e-4);
        near(&format!("{id} side lobe"), lobe, want_lobe, 0.01);
        near(&format!("{id} worst case"), worst, want_worst, 0.006);

        if let Some([enbw_printed, scalloping_printed, lobe_printed]) = row.printed {
            near(&format!("{id} ENBW, printed"), enbw, enbw_printed, 0.001);
            near(&format!("{id} scalloping, printed"), scalloping, scalloping_printed, 0.001);
            near(&format!("{id} side lobe, printed"), lobe, lobe_printed, 0.1);
        }
        let [h_lobe, h_gain, h_enbw, h_scalloping, h_worst] = row.harris;
        near(&format!("{id} side lobe, Harris"), lobe, h_lobe, 1.0);
        near(&format!("{id} gain, Harris"), gain, h_gain, 0.006);
        near(&format!("{id} ENBW, Harris"), enbw, h_enbw, 0.006);
        near(&format!("{id} scalloping, Harris"), scalloping, h_scalloping, 0.03);
        near(&format!("{id} worst case, Harris"), worst, h_worst, 0.03);
    }
}

#[test]
fn symmetric_hamming_of_1000_points() {
    // mathworks.com help page of `enbw`: 1.3638.
    let w = Window::Hamming.samples(1000, Ends::Symmetric);
    near("ENBW", enbw_bins(&w).unwrap(), 1.3638, 5e-5);
}

#[test]
fn overlap_correlation_of_hann() {
    // Computed: 75 % overlap 65.9 %, 50 % overlap 16.7 % (CHECKS.md section 3).
    let w = Window::Hann.samples(4096, Ends::Periodic);
    let squares: f64 = w.iter().map(|w| w * w).sum();
    for (hop, want) in [(1024, 0.659), (2048, 0.167)] {
        let shared: f64 = w[hop..].iter().zip(&w).map(|(a, b)| a * b).sum();
        near("overlap correlation", shared / squares, want, 0.0005);
    }
}
