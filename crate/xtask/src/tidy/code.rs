//! Source text with its comments blanked, so that rules judge code and not what is said about it.

/// Languages that differ in what a quote means.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Language {
    Rust,
    JavaScript,
}

/// `text` with every character of a comment, line ends aside, made a blank. Strings are kept.
pub fn without_comments(text: &str, language: Language) -> String {
    let mut reader = Reader { rest: text, out: String::with_capacity(text.len()), language };
    while reader.step() {}
    reader.out
}

/// The part of a Rust file before the tests at its foot.
pub fn without_tests(rust: &str) -> &str {
    rust.find("\n#[cfg(test)]\nmod ").map_or(rust, |at| rust.get(..at).unwrap_or(rust))
}

struct Reader<'a> {
    rest: &'a str,
    out: String,
    language: Language,
}

impl Reader<'_> {
    /// Takes one comment, string or character; false at the end.
    fn step(&mut self) -> bool {
        let Some(first) = self.rest.chars().next() else { return false };
        if self.rest.starts_with("//") {
            self.blank(self.rest.find('\n').unwrap_or(self.rest.len()));
        } else if self.rest.starts_with("/*") {
            self.blank(self.block_comment());
        } else if let Some(length) = self.literal(first) {
            self.keep(length);
        } else {
            self.keep(first.len_utf8());
        }
        true
    }

    /// Bytes of the string, character or pattern that starts here, if one does.
    fn literal(&self, first: char) -> Option<usize> {
        match (self.language, first) {
            (_, '"') => Some(self.quoted('"')),
            (Language::Rust, 'r') if !self.in_a_word() => self.raw_string(),
            (Language::Rust, '\'') => self.rust_char(),
            (Language::JavaScript, '\'' | '`') => Some(self.quoted(first)),
            (Language::JavaScript, '/') if self.at_a_value() => Some(self.pattern()),
            _ => None,
        }
    }

    fn block_comment(&self) -> usize {
        let nests = self.language == Language::Rust;
        let (mut depth, mut at) = (0_usize, 0);
        let bytes = self.rest.as_bytes();
        while at < bytes.len() {
            match bytes.get(at..at + 2) {
                Some(b"/*") if nests || depth == 0 => (depth, at) = (depth + 1, at + 2),
                Some(b"*/") => (depth, at) = (depth - 1, at + 2),
                _ => at += 1,
            }
            if depth == 0 {
                break;
            }
        }
        at
    }

    fn quoted(&self, quote: char) -> usize {
        let mut escaped = false;
        for (at, sign) in self.rest.char_indices().skip(1) {
            if !escaped && sign == quote {
                return at + sign.len_utf8();
            }
            escaped = sign == '\\' && !escaped;
        }
        self.rest.len()
    }

    fn raw_string(&self) -> Option<usize> {
        let after = self.rest.strip_prefix('r')?;
        let hashes = after.len() - after.trim_start_matches('#').len();
        let body = after.get(hashes..)?.strip_prefix('"')?;
        let end = format!("\"{}", "#".repeat(hashes));
        Some(body.find(&end).map_or(self.rest.len(), |at| 2 + hashes + at + end.len()))
    }

    /// `'x'` and `'\n'` are characters, `'a` is a lifetime.
    fn rust_char(&self) -> Option<usize> {
        let mut signs = self.rest.char_indices().skip(1);
        let (_, inner) = signs.next()?;
        if inner == '\\' {
            return Some(self.quoted('\''));
        }
        let (at, close) = signs.next()?;
        (close == '\'').then_some(at + 1)
    }

    fn pattern(&self) -> usize {
        let (mut escaped, mut in_class) = (false, false);
        for (at, sign) in self.rest.char_indices().skip(1) {
            match sign {
                '\n' => return 1, // a division after all
                _ if escaped => escaped = false,
                '\\' => escaped = true,
                '[' => in_class = true,
                ']' => in_class = false,
                '/' if !in_class => return at + 1,
                _ => {}
            }
        }
        1
    }

    fn in_a_word(&self) -> bool {
        self.out.chars().next_back().is_some_and(|sign| sign.is_alphanumeric() || sign == '_')
    }

    /// Whether a `/` here starts a pattern: nothing stands before it that could be divided.
    fn at_a_value(&self) -> bool {
        let before = self.out.trim_end();
        let ends_in = |word: &str| before.ends_with(word);
        before.chars().next_back().is_none_or(|sign| "(,=:[!&|?{};+-*%<>~^".contains(sign))
            || ends_in("return")
            || ends_in("typeof")
    }

    fn keep(&mut self, bytes: usize) {
        let (taken, rest) = self.rest.split_at(bytes);
        self.out.push_str(taken);
        self.rest = rest;
    }

    fn blank(&mut self, bytes: usize) {
        let (taken, rest) = self.rest.split_at(bytes);
        self.out.extend(taken.chars().map(|sign| if sign == '\n' { '\n' } else { ' ' }));
        self.rest = rest;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(language: Language, cases: &[(&str, &str)]) {
        for (text, expected) in cases {
            let got = without_comments(text, language);
            assert_eq!(got.split_whitespace().collect::<Vec<_>>().join(" "), *expected, "{text}");
            assert_eq!(got.lines().count(), text.lines().count(), "{text}");
        }
    }

    #[test]
    fn comments_of_rust_go_and_strings_stay() {
        check(
            Language::Rust,
            &[
                ("a // b\nc", "a c"),
                ("a /* b /* c */\n d */ e", "a e"),
                ("\"// not\" // but", "\"// not\""),
                ("\"\\\"// not\" // but", "\"\\\"// not\""),
                ("\"\\\\\" // but", "\"\\\\\""),
                ("r#\"// \" not\"# // but", "r#\"// \" not\"#"),
                ("'\"' // but", "'\"'"),
                ("'\\'' // but", "'\\''"),
                ("fn f<'a>(x: &'a str) {} // but", "fn f<'a>(x: &'a str) {}"),
                ("a / b // but", "a / b"),
                ("\"open // end", "\"open // end"),
                ("/* open", ""),
            ],
        );
    }

    #[test]
    fn comments_of_javascript_go_and_patterns_stay() {
        check(
            Language::JavaScript,
            &[
                ("'//' // b", "'//'"),
                ("`//${a}` // b", "`//${a}`"),
                ("x = /[/\"]/g; // b", "x = /[/\"]/g;"),
                ("x = a / b; // \"c / d", "x = a / b;"),
                ("return /'/.test(a) // b", "return /'/.test(a)"),
                ("/** @type {import(\"./a.js\").B} */ let c", "let c"),
                ("/* a /* b */ c", "c"),
            ],
        );
    }

    #[test]
    fn tests_at_the_foot_are_told_from_code() {
        assert_eq!(without_tests("a\n\n#[cfg(test)]\nmod tests {}\n"), "a\n");
        assert_eq!(without_tests("a\n#[cfg(test)]\nuse b;\n"), "a\n#[cfg(test)]\nuse b;\n");
    }
}
