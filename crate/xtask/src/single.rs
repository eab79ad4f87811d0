//! The page as one self-contained file, `dist/ringdown.html`: it runs from a stick under `file://` and asks for nothing.
//!
//! Under `file://` a browser starts inline scripts and classic workers from a blob, and nothing by address. So every
//! module of the page becomes a function that returns its exports, in the order of its imports; the worker's script and
//! the module (in base64) stand beside it as data. The policy names the scripts by their hash.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::{shell, tidy};

/// What a stick, a message or an old machine can be asked to carry.
const MOST_BYTES: u64 = 6_000_000;
const POLICY: &str = "default-src 'none'; script-src HASHES 'wasm-unsafe-eval'; worker-src blob:; connect-src 'none'; \
                      img-src blob: data:; media-src blob:; style-src 'unsafe-inline'; base-uri 'none'; form-action \
                      'none'; require-trusted-types-for 'script'; trusted-types ringdown";

/// Where it lies.
pub fn path() -> PathBuf {
    shell::root().join("dist").join("ringdown.html")
}

/// Writes the file from `www` and the glue; returns its length in bytes.
pub fn write(glue: &Path) -> Result<u64, String> {
    let www = shell::root().join("www");
    let text = |path: PathBuf| fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()));
    let wasm = glue.join("ringdown_bg.wasm");
    let wasm = fs::read(&wasm).map_err(|error| format!("{}: {error}", wasm.display()))?;
    let parts = Parts {
        index: text(www.join("index.html"))?,
        card_css: text(www.join("card.css"))?,
        print_css: text(www.join("print.css"))?,
        glue: text(glue.join("ringdown.js"))?,
        worker: [text(www.join("mate.js"))?, text(www.join("worker.js"))?].join("\n"),
        page: bundle(&modules(&www)?, "main.js")?,
        wasm,
    };
    let page = parts.page()?;
    let length = page.len() as u64;
    if length > MOST_BYTES {
        return Err(format!("dist/ringdown.html would hold {length} bytes, {MOST_BYTES} at most"));
    }
    fs::write(path(), page).map_err(|error| format!("{}: {error}", path().display()))?;
    Ok(length)
}

/// Every module under `www` by its path from there.
fn modules(www: &Path) -> Result<BTreeMap<String, String>, String> {
    let mut found = BTreeMap::new();
    let mut folders = vec![www.to_path_buf()];
    while let Some(folder) = folders.pop() {
        let entries = fs::read_dir(&folder).map_err(|error| format!("{}: {error}", folder.display()))?;
        for path in entries.filter_map(|entry| Some(entry.ok()?.path())) {
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "js") {
                let name = path.strip_prefix(www).unwrap_or(&path).to_string_lossy().replace('\\', "/");
                let text = fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
                found.insert(name, text);
            }
        }
    }
    Ok(found)
}

struct Parts {
    index: String,
    card_css: String,
    print_css: String,
    glue: String,
    worker: String,
    page: String,
    wasm: Vec<u8>,
}

impl Parts {
    fn page(&self) -> Result<String, String> {
        let (glue, page) = (within_script(&self.glue), within_script(&self.page));
        let policy = POLICY.replace("HASHES", &format!("'{}' '{}'", hash(&glue), hash(&page)));
        let worker = within_script(&format!("{}\n{}", self.glue, self.worker));
        let scripts = format!(
            "<script type=\"text/plain\" id=\"ringdown-worker\">{worker}</script>\n\
             <script type=\"text/plain\" id=\"ringdown-wasm\">{}</script>\n\
             <script>{glue}</script>\n<script type=\"module\">{page}</script>\n</body>",
            base64(&self.wasm)
        );
        let mut html = self.index.clone();
        let start = html.find("content=\"default-src").ok_or("index.html lacks its policy")? + "content=\"".len();
        let end = start + html[start..].find('"').ok_or("the policy in index.html has no end")?;
        html.replace_range(start..end, &policy);
        let swaps = [
            ("<link rel=\"stylesheet\" href=\"card.css\">", format!("<style>\n{}</style>", self.card_css)),
            (
                "<link rel=\"stylesheet\" href=\"print.css\" media=\"print\">",
                format!("<style media=\"print\">\n{}</style>", self.print_css),
            ),
            ("<script src=\"ringdown.js\" defer></script>\n", String::new()),
            ("<script src=\"main.js\" type=\"module\"></script>\n", String::new()),
            ("</body>", scripts),
        ];
        for (from, to) in swaps {
            if html.matches(from).count() != 1 {
                return Err(format!("index.html must hold `{}` once", from.trim_end()));
            }
            html = html.replace(from, &to);
        }
        Ok(html)
    }
}

/// Nothing in a script may look like its end to the parser of the page.
fn within_script(code: &str) -> String {
    code.replace("</script", "<\\/script").replace("<!--", "<\\!--")
}

fn hash(script: &str) -> String {
    format!("sha256-{}", base64(&Sha256::digest(script.as_bytes())))
}

/// RFC 4648, section 4.
fn base64(bytes: &[u8]) -> String {
    const SIGNS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let word = three.iter().fold(0_u32, |word, byte| word << 8 | u32::from(*byte)) << (8 * (3 - three.len()));
        for at in 0..4 {
            let six = (word >> (18 - 6 * at)) as usize & 63;
            out.push(if at > three.len() { '=' } else { char::from(SIGNS[six]) });
        }
    }
    out
}

/// All modules that `first` needs as one script, each a function of its own so that private names can't meet.
fn bundle(modules: &BTreeMap<String, String>, first: &str) -> Result<String, String> {
    let mut order = Vec::new();
    visit(modules, first, &mut order, &mut Vec::new())?;
    let mut out = String::new();
    for path in &order {
        let module = Module::of(path, modules.get(path).map_or("", String::as_str))?;
        let exports = module.exports.join(", ");
        out += &format!("const {} = (() => {{\n{}\nreturn {{ {exports} }};\n}})();\n", name_of(path), module.body);
    }
    Ok(out)
}

/// Depth first: what a module needs stands before it.
fn visit(
    modules: &BTreeMap<String, String>,
    path: &str,
    order: &mut Vec<String>,
    open: &mut Vec<String>,
) -> Result<(), String> {
    if order.iter().any(|done| done == path) {
        return Ok(());
    }
    if open.iter().any(|one| one == path) {
        return Err(format!("{path} imports itself by a circle"));
    }
    let text = modules.get(path).ok_or_else(|| format!("{path} is imported and is not there"))?;
    open.push(path.to_owned());
    for needed in tidy::imports_of(path, text) {
        visit(modules, &needed, order, open)?;
    }
    open.pop();
    order.push(path.to_owned());
    Ok(())
}

/// `parts/dom.js` as a name.
fn name_of(path: &str) -> String {
    let plain: String =
        path.trim_end_matches(".js").chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '_' }).collect();
    format!("m_{plain}")
}

struct Module {
    body: String,
    exports: Vec<String>,
}

impl Module {
    /// Imports become constants, exports lose their word.
    fn of(path: &str, text: &str) -> Result<Self, String> {
        let (mut body, mut exports, mut open) = (String::new(), Vec::new(), String::new());
        for line in text.lines() {
            if !open.is_empty() || line.starts_with("import ") {
                open = format!("{open} {line}");
                if line.trim_end().ends_with(';') {
                    body += &import(path, open.trim())?;
                    open.clear();
                }
                continue;
            }
            let plain = match line.strip_prefix("export ") {
                Some("{};") => continue,
                Some(rest) => {
                    let name = tidy::exported_name(line)
                        .ok_or_else(|| format!("{path}: `{line}` is exported in no way known here"))?;
                    exports.push(name.to_owned());
                    rest
                }
                None => line,
            };
            body += plain;
            body.push('\n');
        }
        if open.is_empty() { Ok(Self { body, exports }) } else { Err(format!("{path}: `{open}` has no end")) }
    }
}

/// `import { a, b as c } from "./x.js";` as a constant.
fn import(path: &str, statement: &str) -> Result<String, String> {
    let odd = || format!("{path}: `{statement}` is imported in no way known here");
    let names = statement.strip_prefix("import {").and_then(|rest| rest.split_once('}')).ok_or_else(odd)?.0;
    let from = tidy::imports_of(path, statement);
    let from = from.first().ok_or_else(odd)?;
    Ok(format!("const {{{}}} = {};\n", names.replace(" as ", ": "), name_of(from)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_is_that_of_the_standard() {
        // RFC 4648, section 10
        let table =
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foob", "Zm9vYg=="), ("foobar", "Zm9vYmFy")];
        for (plain, coded) in table {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn hashes_are_those_of_the_standard() {
        // W3C, Content Security Policy level 3, section 8.3: the hash of `alert('Hello, world.');`
        assert_eq!(hash("alert('Hello, world.');"), "sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng=");
    }

    #[test]
    fn modules_stand_in_the_order_of_their_imports_and_share_no_names() {
        let files = [
            ("main.js", "import { a as b,\n  c } from \"./parts/x.js\";\nb(c);\n"),
            (
                "parts/x.js",
                "import { d } from \"./y.js\";\nconst own = d;\nexport function a() { return own; }\nexport const c = 1;\n",
            ),
            ("parts/y.js", "const own = 2;\nexport const d = own;\nexport {};\n"),
        ];
        let modules = files.map(|(path, text)| (path.to_owned(), text.to_owned())).into();
        let script = bundle(&modules, "main.js").unwrap();
        let places = ["m_parts_y = (", "m_parts_x = (", "m_main = ("].map(|part| script.find(part).unwrap());
        assert!(places.is_sorted(), "{script}");
        assert!(script.contains("{ a: b,   c } = m_parts_x;") && script.contains("return { a, c };"), "{script}");
        assert!(!script.contains("import") && !script.contains("export"), "{script}");
    }

    #[test]
    fn what_it_does_not_know_is_refused_and_not_shipped() {
        let one = |text: &str| bundle(&[("main.js".to_owned(), text.to_owned())].into(), "main.js");
        for text in ["import * as a from \"./a.js\";", "export default 1;", "import { a } from \"./gone.js\";"] {
            assert!(one(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_script_can_not_end_early() {
        assert_eq!(within_script("a('</script>'); '<!--'"), "a('<\\/script>'); '<\\!--'");
    }
}
