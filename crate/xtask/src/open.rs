//! `open`: the page in the browser, served to this machine alone.

use std::io::Write;
use std::net::{Ipv4Addr, TcpListener};
use std::process::Stdio;

use crate::{dist, serve, shell};

/// Free on most machines; another free one is taken when it is not.
const USUAL_PORT: u16 = 8737;

/// What `open` was asked for.
#[derive(Debug, Default, PartialEq)]
pub struct Options {
    /// Exactly this port (0: any free one); without it the usual one or, failing that, any.
    port: Option<u16>,
    no_browser: bool,
    /// Serve `dist/site` as it lies there.
    no_build: bool,
}

impl Options {
    /// From the words after the verb.
    pub fn parse(words: &[String]) -> Result<Self, String> {
        let mut options = Self::default();
        let mut words = words.iter();
        while let Some(word) = words.next() {
            match word.as_str() {
                "--no-browser" => options.no_browser = true,
                "--no-build" => options.no_build = true,
                "--port" => options.port = Some(port(words.next().map_or("", String::as_str))?),
                other => match other.strip_prefix("--port=") {
                    Some(value) => options.port = Some(port(value)?),
                    None => return Err(crate::unknown_option(other)),
                },
            }
        }
        Ok(options)
    }
}

fn port(word: &str) -> Result<u16, String> {
    word.parse().map_err(|_| format!("--port needs a number from 0 to 65535, not `{word}`"))
}

/// Builds if asked, prints the address, serves until interrupted.
pub fn run(options: &Options) -> Result<(), String> {
    if !options.no_build {
        dist::run()?;
    }
    if !dist::site().join("index.html").is_file() {
        return Err("there is no page in dist/site yet: run `cargo xtask dist`".into());
    }
    let listener = listen(options.port)?;
    let at = listener.local_addr().map_err(|error| error.to_string())?;
    let address = format!("http://{at}/");
    println!("Ringdown is at {address} (Ctrl-C ends it)");
    let _ = std::io::stdout().flush();
    if !options.no_browser {
        show(&address);
    }
    serve::run(&listener, &dist::site())
}

fn listen(port: Option<u16>) -> Result<TcpListener, String> {
    let bind = |port| TcpListener::bind((Ipv4Addr::LOCALHOST, port));
    match port {
        Some(port) => bind(port).map_err(|error| format!("port {port} can't be used: {error}")),
        None => bind(USUAL_PORT).or_else(|_| bind(0)).map_err(|error| format!("no port can be used: {error}")),
    }
}

/// Where no browser opens, the printed address is enough.
fn show(address: &str) {
    let mut command = if cfg!(windows) {
        let mut command = shell::command("cmd");
        command.args(["/C", "start", ""]);
        command
    } else if cfg!(target_os = "macos") {
        shell::command("open")
    } else if ["DISPLAY", "WAYLAND_DISPLAY"].iter().any(|name| std::env::var_os(name).is_some()) {
        shell::command("xdg-open")
    } else {
        return;
    };
    if command.arg(address).stdout(Stdio::null()).stderr(Stdio::null()).spawn().is_err() {
        println!("no browser could be started here: open the address yourself");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parsed(line: &str) -> Result<Options, String> {
        Options::parse(&line.split_whitespace().map(str::to_owned).collect::<Vec<_>>())
    }

    #[test]
    fn options_are_read_in_any_order_and_unknown_ones_are_named() {
        let all = Options { port: Some(0), no_browser: true, no_build: true };
        assert_eq!(parsed("--no-build --port 0 --no-browser"), Ok(all));
        assert_eq!(parsed("--port=81"), Ok(Options { port: Some(81), ..Options::default() }));
        for (line, named) in
            [("--port", "``"), ("--port x", "`x`"), ("--port=65536", "`65536`"), ("--prot", "`--prot`")]
        {
            assert!(parsed(line).unwrap_err().contains(named), "{line}");
        }
    }

    #[test]
    fn only_this_machine_is_listened_to() {
        assert!(listen(Some(0)).unwrap().local_addr().unwrap().ip().is_loopback());
    }

    #[test]
    fn a_taken_port_is_an_error_only_when_it_was_asked_for() {
        let taken = listen(Some(0)).unwrap();
        let port = taken.local_addr().unwrap().port();
        assert!(listen(Some(port)).unwrap_err().contains(&port.to_string()));
        let _usual = listen(None).unwrap();
        assert!(listen(None).is_ok());
    }
}
