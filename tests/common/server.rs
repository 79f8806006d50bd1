//! A web server that answers a few requests: for the tests of what is sent to one.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpListener;
use std::sync::mpsc::{Receiver, channel};

/// Answers each request with the next status; its address, and the bodies as they come.
pub(crate) fn server(statuses: &'static [&'static str]) -> (String, Receiver<String>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}/alarms", listener.local_addr().unwrap());
    let (to, from) = channel();
    std::thread::spawn(move || {
        for status in statuses {
            let (stream, _) = listener.accept().unwrap();
            let mut reader = BufReader::new(stream);
            let (mut line, mut length) = (String::new(), 0);
            while reader.read_line(&mut line).unwrap() > 2 {
                if let Some(n) = line.to_ascii_lowercase().strip_prefix("content-length:") {
                    length = n.trim().parse().unwrap();
                }
                line.clear();
            }
            let mut body = vec![0; length];
            reader.read_exact(&mut body).unwrap();
            // Whoever waits for no more has ended.
            let _ = to.send(String::from_utf8(body).unwrap());
            let answer = format!("HTTP/1.1 {status}\r\ncontent-length: 0\r\nconnection: close\r\n\r\n");
            reader.get_mut().write_all(answer.as_bytes()).unwrap();
        }
    });
    (url, from)
}
