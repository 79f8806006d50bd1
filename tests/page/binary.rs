use std::io::{BufRead as _, BufReader, Read as _};
use std::net::TcpStream;
use std::process::{Child, Stdio};

use serde_json::json;

use crate::helper::{Phone, command, key, seatsong, with_book};

/// The program itself, with its first line of output.
struct Served {
    child: Child,
    url: String,
    rest: BufReader<std::process::ChildStdout>,
}

fn serve(dir: &std::path::Path, more: &[&str]) -> Served {
    let args = [&["page", "--port", "0"], more].concat();
    let mut child = command(dir, &args).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut rest = BufReader::new(child.stdout.take().unwrap());
    let mut url = String::new();
    rest.read_line(&mut url).unwrap();
    Served { child, url: url.trim().to_owned(), rest }
}

impl Served {
    /// Ends it by a signal; what it printed and said.
    fn ended(mut self) -> (String, String) {
        let killed = std::process::Command::new("kill").arg(self.child.id().to_string()).status().unwrap();
        assert!(killed.success());
        let (mut out, mut err) = (String::new(), String::new());
        self.rest.read_to_string(&mut out).unwrap();
        self.child.stderr.take().unwrap().read_to_string(&mut err).unwrap();
        assert_eq!(self.child.wait().unwrap().code(), Some(0), "{out}{err}");
        (out, err)
    }
}

#[test]
fn the_program_serves_this_computer_alone_and_ends_on_a_signal() {
    let dir = with_book();
    let served = serve(dir.path(), &["--rig", "Invented rig Night Curlew"]);
    let phone = Phone::new(&served.url, None);
    assert_eq!(phone.get("/api/me").ok(200)["rig"], "Invented rig Night Curlew");
    phone.post("/api/rounds", &json!({"key": key(), "pump": "MP-1", "spm": 88})).was(201);
    let port: u16 = served.url.trim_end_matches('/').rsplit_once(':').unwrap().1.parse().unwrap();
    // Any address of the loopback net but its own reaches what listens on all of them.
    assert!(TcpStream::connect(("127.0.0.2", port)).is_err(), "it must listen on 127.0.0.1 alone");
    let (_, err) = served.ended();
    assert!(!err.contains("panicked") && !err.contains(&phone.token), "{err}");
}

#[test]
fn on_the_network_the_terminal_shows_fingerprint_codes_and_picture_and_the_log_holds_no_secret() {
    let dir = with_book();
    let served = serve(dir.path(), &["--lan"]);
    assert!(served.url.starts_with("https://"), "{}", served.url);
    let (out, err) = served.ended();
    assert!(out.contains("Pairing code for the crew:") && out.contains('█'), "{out}");
    let code = out.lines().find_map(|l| l.strip_prefix("Pairing code for the crew:")).unwrap().trim();
    let print = out.lines().find(|l| l.matches(':').count() == 31).unwrap();
    assert!(code.len() == 11 && print.len() == 95, "{code} {print}");
    assert!(!err.contains(code) && err.lines().count() == 1, "{err}");
}

#[test]
fn a_port_that_is_taken_and_a_book_that_is_none_are_told() {
    let dir = with_book();
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port().to_string();
    seatsong(dir.path(), &["page", "--port", &port]).ended(1).says("--port 0");
    seatsong(dir.path(), &["page", "--port", "0", "--book", "nowhere"]).ended(1).says("no book here");
    seatsong(dir.path(), &["page", "--address", "10.0.0.1"]).ended(2);
}
