//! Keys of the one at the pump: from a terminal as they are pressed, from a pipe as they come.

use std::io::{IsTerminal as _, Read as _};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant};

use crossterm::event::{Event, KeyCode, KeyEventKind, KeyModifiers};

/// A signal asked for the end.
static SIGNALLED: AtomicBool = AtomicBool::new(false);
/// How long a look for a key takes: what a tap may be late by.
const LOOK: Duration = Duration::from_millis(4);

/// What was pressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Key {
    /// The space bar: large enough for gloves.
    Space,
    /// Enter.
    Enter,
    /// A letter, small.
    Letter(char),
    /// Escape, Ctrl-C or a signal.
    Stop,
}

/// A key and when.
#[derive(Debug, Clone, Copy)]
pub(super) struct Press {
    pub(super) key: Key,
    pub(super) at: Instant,
}

/// Where keys come from.
pub(super) struct Keys {
    presses: Receiver<Press>,
    terminal: bool,
    listening: Arc<AtomicBool>,
    closed: Arc<AtomicBool>,
    stopped: bool,
}

/// While this is held, a terminal gives keys as they are pressed.
pub(super) struct Listening {
    terminal: bool,
    listening: Arc<AtomicBool>,
}

impl Drop for Listening {
    fn drop(&mut self) {
        self.listening.store(false, Ordering::Release);
        if self.terminal {
            // The thread may be in the middle of a look.
            std::thread::sleep(2 * LOOK);
            let _ = crossterm::terminal::disable_raw_mode();
        }
    }
}

impl Keys {
    /// Listens to standard input, and to the signals that ask for an end.
    pub(super) fn new() -> Self {
        // A second handler is refused: then the first does its work.
        let _ = ctrlc::set_handler(|| SIGNALLED.store(true, Ordering::Release));
        let terminal = std::io::stdin().is_terminal();
        let (listening, closed) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
        let (send, presses) = channel();
        let (hears, ends) = (Arc::clone(&listening), Arc::clone(&closed));
        std::thread::spawn(move || if terminal { from_terminal(&send, &hears) } else { from_pipe(&send, &ends) });
        Self { presses, terminal, listening, closed, stopped: false }
    }

    /// Begins to take keys from a terminal one by one.
    pub(super) fn listen(&self) -> std::io::Result<Listening> {
        if self.terminal {
            crossterm::terminal::enable_raw_mode()?;
        }
        self.listening.store(true, Ordering::Release);
        Ok(Listening { terminal: self.terminal, listening: Arc::clone(&self.listening) })
    }

    /// Whether a signal asked for the end.
    pub(super) fn signalled(&self) -> bool {
        self.stopped
    }

    /// What was pressed since the last look.
    pub(super) fn pressed(&mut self) -> Vec<Press> {
        let mut out: Vec<Press> = self.presses.try_iter().collect();
        if SIGNALLED.load(Ordering::Acquire) && !self.stopped {
            self.stopped = true;
            out.push(Press { key: Key::Stop, at: Instant::now() });
        }
        out
    }

    /// The next key; `None` if none can come any more.
    pub(super) fn next(&mut self) -> Option<Key> {
        loop {
            if let Some(press) = self.pressed().first() {
                return Some(press.key);
            }
            if self.closed.load(Ordering::Acquire) {
                // What came before the end.
                return self.presses.try_recv().ok().map(|p| p.key);
            }
            std::thread::sleep(LOOK);
        }
    }
}

fn from_terminal(send: &Sender<Press>, hears: &AtomicBool) {
    loop {
        if !hears.load(Ordering::Acquire) {
            std::thread::sleep(LOOK);
            continue;
        }
        if !crossterm::event::poll(LOOK).unwrap_or(false) {
            continue;
        }
        let Ok(Event::Key(event)) = crossterm::event::read() else { continue };
        let at = Instant::now();
        let control = event.modifiers.contains(KeyModifiers::CONTROL);
        let key = match event.code {
            _ if event.kind != KeyEventKind::Press => continue,
            KeyCode::Char('c') if control => Key::Stop,
            KeyCode::Esc => Key::Stop,
            KeyCode::Char(' ') => Key::Space,
            KeyCode::Enter => Key::Enter,
            KeyCode::Char(c) => Key::Letter(c.to_ascii_lowercase()),
            _ => continue,
        };
        if send.send(Press { key, at }).is_err() {
            break;
        }
    }
}

fn from_pipe(send: &Sender<Press>, ends: &AtomicBool) {
    for byte in std::io::stdin().lock().bytes() {
        let at = Instant::now();
        let key = match byte {
            Ok(b' ') => Key::Space,
            Ok(b'\n') => Key::Enter,
            Ok(0x1b | 0x03) => Key::Stop,
            Ok(b) if b.is_ascii_alphabetic() => Key::Letter(char::from(b).to_ascii_lowercase()),
            Ok(_) => continue,
            Err(_) => break,
        };
        if send.send(Press { key, at }).is_err() {
            break;
        }
    }
    ends.store(true, Ordering::Release);
}
