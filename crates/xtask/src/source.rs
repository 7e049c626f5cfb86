//! A simple reading of Rust source: enough to count lines and functions, no more.

/// A function longer than it should be.
#[derive(Debug, PartialEq, Eq)]
pub struct Function {
    /// Its name.
    pub name: String,
    /// Line of its name, from 1.
    pub line: usize,
    /// Lines from its name to its closing brace.
    pub length: usize,
}

/// The source with comments and the insides of literals turned into spaces; lines stay in place.
pub fn code_only(source: &str) -> String {
    let chars: Vec<char> = source.chars().collect();
    let mut code = String::with_capacity(source.len());
    let mut at = 0;
    while at < chars.len() {
        let end = literal_or_comment_end(&chars, at);
        if end == at {
            code.push(chars[at]);
            at += 1;
        } else {
            code.extend(
                chars[at..end]
                    .iter()
                    .map(|c| if *c == '\n' { '\n' } else { ' ' }),
            );
            at = end;
        }
    }
    code
}

/// Where the comment or literal that begins at `at` ends; `at` itself when none begins there.
fn literal_or_comment_end(chars: &[char], at: usize) -> usize {
    let next = chars.get(at + 1).copied();
    let in_word = at > 0 && is_word(chars[at - 1]);
    match chars[at] {
        '/' if next == Some('/') => position(chars, at, |c| c == '\n'),
        '/' if next == Some('*') => block_comment_end(chars, at),
        '"' => string_end(chars, at),
        'r' if !in_word || chars[at - 1] == 'b' => raw_string_end(chars, at),
        '\'' => character_end(chars, at),
        _ => at,
    }
}

fn position(chars: &[char], from: usize, wanted: impl Fn(char) -> bool) -> usize {
    (from..chars.len())
        .find(|at| wanted(chars[*at]))
        .unwrap_or(chars.len())
}

fn block_comment_end(chars: &[char], from: usize) -> usize {
    let mut depth = 0;
    let mut at = from;
    while at + 1 < chars.len() {
        match (chars[at], chars[at + 1]) {
            ('/', '*') => depth += 1,
            ('*', '/') => depth -= 1,
            _ => {
                at += 1;
                continue;
            }
        }
        at += 2;
        if depth == 0 {
            return at;
        }
    }
    chars.len()
}

fn string_end(chars: &[char], from: usize) -> usize {
    let mut at = from + 1;
    while at < chars.len() {
        match chars[at] {
            '\\' => at += 2,
            '"' => return at + 1,
            _ => at += 1,
        }
    }
    chars.len()
}

fn raw_string_end(chars: &[char], from: usize) -> usize {
    let quote = position(chars, from + 1, |c| c != '#');
    if chars.get(quote) != Some(&'"') {
        return from;
    }
    let marks = quote - from - 1;
    let closes =
        |at: usize| chars[at] == '"' && (1..=marks).all(|mark| chars.get(at + mark) == Some(&'#'));
    (quote + 1..chars.len())
        .find(|at| closes(*at))
        .map_or(chars.len(), |at| at + 1 + marks)
}

/// A character literal, and not a lifetime.
fn character_end(chars: &[char], from: usize) -> usize {
    match (chars.get(from + 1), chars.get(from + 2)) {
        (Some('\\'), Some(_)) => (from + 3..chars.len())
            .find(|at| chars[*at] == '\'')
            .map_or(from, |at| at + 1),
        (Some(_), Some('\'')) => from + 3,
        _ => from,
    }
}

fn is_word(c: char) -> bool {
    c.is_alphanumeric() || c == '_'
}

/// Takes the items marked `#[cfg(test)]` out of code from [`code_only`]: their lines become empty.
/// Gives what is left, and how many lines were theirs.
pub fn without_tests(code: &str) -> (String, usize) {
    let mut rest = code;
    let mut kept = String::with_capacity(code.len());
    let mut lines = 0;
    while let Some(start) = rest.find("#[cfg(test)]") {
        kept.push_str(&rest[..start]);
        let item = &rest[start..];
        let end = body_end(item).unwrap_or(item.len());
        kept.extend(item[..end].chars().filter(|c| *c == '\n'));
        lines += item[..end].lines().count();
        rest = &item[end..];
    }
    kept.push_str(rest);
    (kept, lines)
}

/// Where the first item in `code` ends: after its braces, or its semicolon when that comes first.
fn body_end(code: &str) -> Option<usize> {
    let (mut braces, mut others) = (0_usize, 0_usize);
    for (at, c) in code.char_indices() {
        match c {
            '(' | '[' => others += 1,
            ')' | ']' => others = others.saturating_sub(1),
            '{' => braces += 1,
            '}' => {
                braces = braces.saturating_sub(1);
                if braces == 0 && others == 0 {
                    return Some(at + 1);
                }
            }
            ';' if braces == 0 && others == 0 => return Some(at + 1),
            _ => {}
        }
    }
    None
}

/// The functions with more than `limit` lines, in code from [`code_only`].
pub fn long_functions(code: &str, limit: usize) -> Vec<Function> {
    let mut found = Vec::new();
    for (at, _) in code.match_indices("fn ") {
        if code[..at].chars().next_back().is_some_and(is_word) {
            continue;
        }
        let name: String = code[at + 3..]
            .trim_start()
            .chars()
            .take_while(|c| is_word(*c))
            .collect();
        let Some(end) = body_end(&code[at..]).filter(|_| !name.is_empty()) else {
            continue;
        };
        let length = code[at..at + end].matches('\n').count() + 1;
        if length > limit {
            found.push(Function {
                name,
                line: code[..at].matches('\n').count() + 1,
                length,
            });
        }
    }
    found
}

/// Whether `word` stands in the code as a whole word.
pub fn has_word(code: &str, word: &str) -> bool {
    code.match_indices(word).any(|(at, _)| {
        !code[..at].chars().next_back().is_some_and(is_word)
            && !code[at + word.len()..].chars().next().is_some_and(is_word)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn comments_and_literals_are_blanked_and_lines_stay() {
        for (source, expect) in [
            ("a // b {\nc", "a       \nc"),
            ("a /* { /* } */ */ b", "a                 b"),
            (r#"f("{ \" }", x)"#, r#"f(        , x)"#),
            (r##"f(r#"{ " "#, x)"##, "f(         , x)"),
            ("f('{', '\\'', x)", "f(   ,     , x)"),
            ("fn f<'a>(x: &'a str) {}", "fn f<'a>(x: &'a str) {}"),
        ] {
            assert_eq!(code_only(source), expect, "{source}");
        }
    }

    #[test]
    fn tests_are_left_out_of_the_count() {
        let source =
            "//! Words.\nfn one() {\n}\n\n#[cfg(test)]\nmod tests {\n    fn two() {\n    }\n}\n";
        let (code, lines) = without_tests(&code_only(source));
        assert!(has_word(&code, "one") && !has_word(&code, "two"));
        assert_eq!(lines, 5);
        let outside = "fn one() {}\n#[cfg(test)]\nmod tests;\nfn three() {}\n";
        let (code, _) = without_tests(&code_only(outside));
        assert!(has_word(&code, "three") && !has_word(&code, "tests"));
    }

    #[test]
    fn long_functions_are_found_with_their_place() {
        let body = "    step();\n".repeat(5);
        let source = format!(
            "struct S;\nfn short() {{}}\nfn long(\n    x: [u8; 2],\n) {{\n{body}}}\ntype F = fn(u8);\n"
        );
        let found = long_functions(&code_only(&source), 6);
        assert_eq!(
            found,
            [Function {
                name: "long".to_owned(),
                line: 3,
                length: 9
            }]
        );
        assert!(long_functions(&code_only(&source), 9).is_empty());
    }

    #[test]
    fn words_are_whole() {
        assert!(has_word("use std::time::{Duration, Instant};", "Instant"));
        assert!(!has_word("Instantaneous, TheInstant", "Instant"));
    }
}
