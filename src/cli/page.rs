//! `seatsong page`: the listening page for phones.

use std::net::IpAddr;
use std::process::ExitCode;

use clap::Args;
use qrcode::QrCode;
use qrcode::render::unicode::Dense1x2;

use super::Io;
use super::book::BookArg;
use crate::book::Book;
use crate::page::{Codes, Limits, Notice, PageSettings, start};

/// Serve the listening page: the whole round from a phone in the pump room, with no connection to anywhere else
///
/// On this computer alone, or with --lan on the rig's own network: then encrypted, and a phone has to be paired once with a code.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong page                 on this computer
  seatsong page --lan           for phones on the rig's network

Hearing protection; keep clear of rods, belts and the relief line; never lean over a cap or touch a running fluid end to place a phone.")]
pub struct PageArgs {
    /// Port; 0 takes a free one
    #[arg(long, value_name = "N", default_value_t = 8717)]
    port: u16,
    /// For phones on the network: encrypted, with pairing
    #[arg(long)]
    lan: bool,
    /// Address of this computer on that network; again for more [default: found]
    #[arg(long, value_name = "IP", requires = "lan")]
    address: Vec<IpAddr>,
    /// Make a new certificate: paired phones will be warned of it once
    #[arg(long, requires = "lan")]
    new_certificate: bool,
    /// Name of the rig
    #[arg(long, value_name = "NAME", default_value = "our rig")]
    rig: String,
    #[command(flatten)]
    place: BookArg,
}

/// Runs the command until a signal ends it.
///
/// # Errors
/// No book, a port that is taken, a folder that can't be written.
pub fn run(args: &PageArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let running = start(&PageSettings {
        book: Book::place(args.place.book.as_deref()),
        rig: args.rig.clone(),
        port: args.port,
        lan: args.lan,
        addresses: args.address.clone(),
        new_certificate: args.new_certificate,
        limits: Limits::default(),
    })?;
    running.end_on_signal()?;
    for url in &running.urls {
        writeln!(io.out, "{url}")?;
    }
    if let Some(fingerprint) = &running.fingerprint {
        writeln!(
            io.out,
            "The browser warns of a certificate that it does not know. Its SHA-256 must be:\n{fingerprint}"
        )?;
    }
    if running.elsewhere {
        io.say("this computer has another address than the certificate; --new-certificate makes one for it")?;
    }
    let url = running.urls.first().cloned().unwrap_or_default();
    if let Some(codes) = &running.codes {
        show(codes, &url, io)?;
    }
    io.out.flush()?;
    io.say("serving; end with Ctrl-C")?;
    while let Ok(notice) = running.notices.recv() {
        match notice {
            Notice::Codes(codes) => {
                show(&codes, &url, io)?;
                io.out.flush()?;
            }
            Notice::Paired { crew, from } => {
                io.say(&format!("paired: a phone at {from}, {}", if crew { "crew" } else { "reading only" }))?;
            }
            Notice::Trouble(what) => io.say(&what)?,
            Notice::Ended => break,
        }
    }
    running.stop();
    Ok(ExitCode::SUCCESS)
}

/// The codes, the crew's also as a picture for a phone's camera.
fn show(codes: &Codes, url: &str, io: &mut Io<'_>) -> anyhow::Result<()> {
    let crew = Codes::spoken(&codes.crew);
    // Behind the hash: a browser never sends that on.
    let picture = QrCode::new(format!("{url}#/pair/{crew}"))?.render::<Dense1x2>().quiet_zone(true).build();
    for line in picture.lines() {
        // Black on white whatever the terminal's own colours are: cameras want it so.
        if io.text.colour { writeln!(io.out, "\x1b[30;107m{line}\x1b[0m")? } else { writeln!(io.out, "{line}")? }
    }
    writeln!(io.out, "Pairing code for the crew:    {crew}")?;
    writeln!(io.out, "Pairing code to read only:    {}", Codes::spoken(&codes.reader))?;
    writeln!(io.out, "Each works once, for {} min; then new ones stand here.", codes.life_s.div_ceil(60))?;
    Ok(())
}
