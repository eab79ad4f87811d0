//! A static server for one folder: GET and HEAD, nothing outside the folder, nothing cached.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::dist::KEEPER;

/// Here what is served is what was just built: a keeper of an older page from this address must not survive.
const RETIRED: &str = "addEventListener(\"install\", () => skipWaiting());
addEventListener(\"activate\", (event) => event.waitUntil((async () => {
  for (const name of await caches.keys()) if (name.startsWith(\"ringdown-\")) await caches.delete(name);
  await registration.unregister();
})()));
";
/// A browser's request line and headers are far shorter.
const LONGEST_REQUEST_BYTES: u64 = 16 * 1024;
const PATIENCE: Duration = Duration::from_secs(10);

/// Serves `site` until the listener fails.
pub fn run(listener: &TcpListener, site: &Path) -> Result<(), String> {
    let site = site.canonicalize().map_err(|error| format!("{}: {error}", site.display()))?;
    loop {
        let (stream, _) = listener.accept().map_err(|error| format!("no more requests can be taken: {error}"))?;
        let site = site.clone();
        // Each connection carries one request, so a thread lives as long as one file takes.
        std::thread::spawn(move || {
            let _ = serve(&stream, &site); // the browser went away: nobody is left to be told
        });
    }
}

fn serve(mut stream: &TcpStream, site: &Path) -> io::Result<()> {
    stream.set_read_timeout(Some(PATIENCE))?;
    stream.set_write_timeout(Some(PATIENCE))?;
    let line = request_line(stream)?;
    match reply(&line, site) {
        Reply::File { mut file, kind, with_body } => {
            let length = file.metadata()?.len();
            stream.write_all(head("200 OK", kind, length).as_bytes())?;
            if with_body {
                io::copy(&mut file, &mut stream)?;
            }
        }
        Reply::Retirement => {
            stream.write_all((head("200 OK", kind(Path::new(KEEPER)), RETIRED.len() as u64) + RETIRED).as_bytes())?
        }
        Reply::Refusal(status) => {
            let body = if line.starts_with("HEAD ") { "" } else { status };
            stream.write_all((head(status, "text/plain", status.len() as u64) + body).as_bytes())?;
        }
    }
    stream.flush()
}

/// The first line; the headers are read and dropped, for a socket closed on unread bytes loses the reply.
fn request_line(stream: &TcpStream) -> io::Result<String> {
    let mut reader = BufReader::new(stream.take(LONGEST_REQUEST_BYTES));
    let mut line = Vec::new();
    reader.read_until(b'\n', &mut line)?;
    let mut header = Vec::new();
    while reader.read_until(b'\n', &mut header)? > 2 {
        header.clear();
    }
    Ok(String::from_utf8_lossy(&line).trim_end().to_owned())
}

fn head(status: &str, kind: &str, length: u64) -> String {
    format!(
        "HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {length}\r\nCache-Control: no-store\r\n\
         X-Content-Type-Options: nosniff\r\nAllow: GET, HEAD\r\nConnection: close\r\n\r\n"
    )
}

enum Reply {
    File {
        file: File,
        kind: &'static str,
        with_body: bool,
    },
    /// Instead of the keeper for offline use, one that takes itself and what it kept away.
    Retirement,
    Refusal(&'static str),
}

fn reply(line: &str, site: &Path) -> Reply {
    let mut words = line.split(' ');
    let (Some(method), Some(target), Some("HTTP/1.1" | "HTTP/1.0"), None) =
        (words.next(), words.next(), words.next(), words.next())
    else {
        return Reply::Refusal("400 Bad Request");
    };
    if !matches!(method, "GET" | "HEAD") {
        return Reply::Refusal("405 Method Not Allowed");
    }
    if method == "GET" && target == format!("/{KEEPER}") {
        return Reply::Retirement;
    }
    let found = within(site, target).and_then(|path| Some((File::open(&path).ok()?, kind(&path))));
    match found {
        Some((file, kind)) => Reply::File { file, kind, with_body: method == "GET" },
        None => Reply::Refusal("404 Not Found"),
    }
}

/// The file that `target` names, if it truly lies in `site`, which is canonical.
fn within(site: &Path, target: &str) -> Option<PathBuf> {
    let path = target.split(['?', '#']).next()?;
    let path = percent_decoded(path.strip_prefix('/')?)?;
    let plain = |part: &str| !part.starts_with('.') && !part.contains(['\\', ':', '\0']);
    let mut file = site.to_path_buf();
    for part in path.split('/').filter(|part| !part.is_empty()) {
        if !plain(part) {
            return None;
        }
        file.push(part);
    }
    if path.is_empty() || path.ends_with('/') {
        file.push("index.html");
    }
    let file = file.canonicalize().ok()?; // follows links: what counts is where they end
    (file.starts_with(site) && file.is_file()).then_some(file)
}

fn percent_decoded(text: &str) -> Option<String> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.bytes();
    while let Some(byte) = rest.next() {
        bytes.push(if byte == b'%' { hex(rest.next()?)? * 16 + hex(rest.next()?)? } else { byte });
    }
    String::from_utf8(bytes).ok()
}

fn hex(digit: u8) -> Option<u8> {
    char::from(digit).to_digit(16).and_then(|value| u8::try_from(value).ok())
}

/// The kind a browser insists on: it compiles no wasm and starts no module under another name.
fn kind(path: &Path) -> &'static str {
    match path.extension().and_then(|extension| extension.to_str()).unwrap_or_default() {
        "html" => "text/html; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "wasm" => "application/wasm",
        "json" | "webmanifest" => "application/json",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        "ico" => "image/x-icon",
        "woff2" => "font/woff2",
        _ => "application/octet-stream",
    }
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::net::{Ipv4Addr, SocketAddr};

    use super::*;

    /// A site with a secret beside it, served; removed when dropped.
    struct Served {
        folder: PathBuf,
        at: SocketAddr,
    }

    impl Served {
        fn new(name: &str) -> Self {
            let folder = std::env::temp_dir().join(format!("ringdown-serve-{}-{name}", std::process::id()));
            let site = folder.join("site");
            fs::create_dir_all(site.join("parts")).unwrap();
            fs::write(site.join("index.html"), "front").unwrap();
            fs::write(site.join("ringdown_bg.wasm"), [0, b'a', b's', b'm', 0xff]).unwrap();
            fs::write(site.join("parts").join("a b.js"), "part").unwrap();
            fs::write(site.join(".hidden"), "secret").unwrap();
            fs::write(folder.join("secret.txt"), "secret").unwrap();
            #[cfg(unix)]
            {
                std::os::unix::fs::symlink(folder.join("secret.txt"), site.join("out.txt")).unwrap();
                std::os::unix::fs::symlink(&folder, site.join("up")).unwrap();
            }
            let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
            let at = listener.local_addr().unwrap();
            std::thread::spawn(move || run(&listener, &site));
            Self { folder, at }
        }

        fn ask(&self, request: &str) -> (String, Vec<u8>) {
            let mut stream = TcpStream::connect(self.at).unwrap();
            stream.write_all(request.as_bytes()).unwrap();
            let mut all = Vec::new();
            stream.read_to_end(&mut all).unwrap();
            let end = all.windows(4).position(|part| part == b"\r\n\r\n").unwrap();
            (String::from_utf8(all[..end].to_vec()).unwrap(), all[end + 4..].to_vec())
        }

        fn get(&self, target: &str) -> (String, Vec<u8>) {
            self.ask(&format!("GET {target} HTTP/1.1\r\nHost: {}\r\n\r\n", self.at))
        }
    }

    impl Drop for Served {
        fn drop(&mut self) {
            let _ = fs::remove_dir_all(&self.folder);
        }
    }

    #[test]
    fn files_come_whole_with_their_kind_and_are_never_cached() {
        let served = Served::new("files");
        let cases: [(&str, &str, &[u8]); 5] = [
            ("/", "text/html", b"front"),
            ("/index.html?x=/../y", "text/html", b"front"),
            ("/ringdown_bg.wasm", "application/wasm", &[0, b'a', b's', b'm', 0xff]),
            ("/parts/a%20b.js", "text/javascript", b"part"),
            ("//parts//a%20b.js", "text/javascript", b"part"),
        ];
        for (target, kind, body) in cases {
            let (head, got) = served.get(target);
            assert!(head.starts_with("HTTP/1.1 200"), "{target}: {head}");
            assert!(head.contains(&format!("Content-Type: {kind}")), "{target}: {head}");
            assert!(head.contains("Cache-Control: no-store"), "{target}: {head}");
            assert_eq!(got, body, "{target}");
        }
    }

    #[test]
    fn nothing_outside_the_site_is_given_out() {
        let served = Served::new("outside");
        let targets = [
            "/../secret.txt",
            "/parts/../../secret.txt",
            "/%2e%2e/secret.txt",
            "/..%2fsecret.txt",
            "/%2e%2e%2fsecret.txt",
            "/%252e%252e/secret.txt",
            "/..%5csecret.txt",
            "/..\\secret.txt",
            "/out.txt",
            "/up/secret.txt",
            "/up/site/../secret.txt",
            "/.hidden",
            "/parts",
            "/parts/",
            "/index.html%00.txt",
            "/%",
            "/%zz",
            "/%ff",
            "secret.txt",
            "../secret.txt",
            "//etc/passwd",
            "/c:/secret.txt",
        ];
        for target in targets {
            let (head, body) = served.get(target);
            assert!(head.starts_with("HTTP/1.1 404"), "{target}: {head}");
            assert_eq!(body, b"404 Not Found", "{target}");
        }
    }

    #[test]
    fn only_get_and_head_are_answered() {
        let served = Served::new("methods");
        let (head, body) = served.ask("HEAD / HTTP/1.1\r\n\r\n");
        assert!(head.starts_with("HTTP/1.1 200") && head.contains("Content-Length: 5"), "{head}");
        assert!(body.is_empty());
        let (head, body) = served.ask("HEAD /nothing HTTP/1.1\r\n\r\n");
        assert!(head.starts_with("HTTP/1.1 404") && body.is_empty(), "{head}");
        for method in ["POST", "PUT", "DELETE", "OPTIONS", "get"] {
            let (head, _) = served.ask(&format!("{method} / HTTP/1.1\r\n\r\n"));
            assert!(head.starts_with("HTTP/1.1 405"), "{method}: {head}");
        }
        for line in ["", "GET", "GET /", "GET / HTTP/2", "GET / x HTTP/1.1"] {
            let (head, _) = served.ask(&format!("{line}\r\n\r\n"));
            assert!(head.starts_with("HTTP/1.1 400"), "{line:?}: {head}");
        }
    }

    #[test]
    fn a_request_without_end_is_cut_off() {
        let served = Served::new("endless");
        let mut stream = TcpStream::connect(served.at).unwrap();
        let endless = vec![b'x'; 1 << 20];
        let _ = stream.write_all(b"GET /").and_then(|()| stream.write_all(&endless)); // refused while still talking
        let mut reply = Vec::new();
        let _ = stream.read_to_end(&mut reply); // either the refusal or a closed connection
        assert!(reply.is_empty() || reply.starts_with(b"HTTP/1.1 400"));
    }
}
