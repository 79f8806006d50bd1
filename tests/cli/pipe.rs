use std::io::Read as _;
use std::process::Stdio;

use super::helper::{command, room};

#[test]
fn a_reader_that_goes_away_is_a_normal_end() {
    for args in [vec!["look", "today/m1.wav", "today/m2.wav", "--json"], vec!["compare", "--help"]] {
        let mut child = command(room(), &args).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        // The pipe is closed before the program writes to it.
        drop(child.stdout.take());
        let mut err = String::new();
        child.stderr.take().unwrap().read_to_string(&mut err).unwrap();
        let status = child.wait().unwrap();
        assert_eq!((status.code(), err.as_str()), (Some(0), ""), "{args:?}");
    }
}
