//! `overspill password`: a password becomes the hash that the home file holds.

mod typed;

use std::io::{BufRead, IsTerminal, Write};

use argon2::password_hash::{PasswordHasher, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};
use clap::ValueEnum;
use serde_json::json;

use super::args::Format;
use super::opening::{complain_in_full, print};
use crate::cli::Outcome;
use crate::config::{PASSWORD_BYTES, PageRole};

/// Make the lines of the home file for somebody who may log in to the page
///
/// Asks for a password, twice and without showing it, and prints its argon2id hash with the lines to add to the home file;
/// the password itself is kept nowhere. Where the input is no terminal, its first line is the password. Ends with 0, or
/// with 2 when there is no password that can be taken.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The name to log in with
    #[arg(value_name = "NAME", value_parser = name, default_value = "NAME", hide_default_value = true)]
    name: String,
    /// What this user may do
    #[arg(long, value_enum, default_value_t = Role::View)]
    role: Role,
    /// How to print it
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Role {
    /// See everything
    View,
    /// Also override loads and change settings
    Operate,
    /// Also change rules
    Configure,
}

/// The fewest characters of a password (NIST SP 800-63B section 5.1.1.1).
const LEAST_CHARS: usize = 8;

/// Random bytes of the salt (RFC 9106 section 4 recommends 16).
const SALT_BYTES: usize = 16;

/// Memory in KiB, passes and lanes: the least that OWASP's Password Storage Cheat Sheet asks of argon2id. More would hold
/// up control on a small computer at each login.
const COST: (u32, u32, u32) = (19_456, 2, 1);

fn name(text: &str) -> Result<String, String> {
    match crate::config::is_user_name(text) {
        true => Ok(text.to_owned()),
        false => Err("a name is letters, digits, \"-\" and \"_\", at most 48 characters".to_owned()),
    }
}

/// Runs the command.
pub fn run(args: &Args) -> Outcome {
    let typed = match std::io::stdin().is_terminal() {
        true => typed::twice(),
        false => one_line(std::io::stdin().lock()),
    };
    let hashed = typed.and_then(|password| {
        fits(&password)?;
        hash(&password)
    });
    match hashed {
        Ok(hash) => {
            tell(args, &hash);
            Outcome::Done
        }
        Err(why) => complain_in_full(&why),
    }
}

fn one_line(mut input: impl BufRead) -> Result<String, String> {
    let mut line = String::new();
    input.read_line(&mut line).map_err(|why| format!("The password can't be read: {why}."))?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}

fn fits(password: &str) -> Result<(), String> {
    let chars = password.chars().count();
    if chars < LEAST_CHARS {
        return Err(format!("A password has at least {LEAST_CHARS} characters; this one has {chars}."));
    }
    match password.len() <= PASSWORD_BYTES {
        true => Ok(()),
        false => Err(format!("A password has at most {PASSWORD_BYTES} bytes.")),
    }
}

fn hash(password: &str) -> Result<String, String> {
    let failed = |why: &dyn std::fmt::Display| format!("The hash can't be made: {why}.");
    let mut salt = [0_u8; SALT_BYTES];
    getrandom::fill(&mut salt).map_err(|why| failed(&why))?;
    let salt = SaltString::encode_b64(&salt).map_err(|why| failed(&why))?;
    let (memory, passes, lanes) = COST;
    let params = Params::new(memory, passes, lanes, None).map_err(|why| failed(&why))?;
    let argon2 = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
    let hash = argon2.hash_password(password.as_bytes(), &salt).map_err(|why| failed(&why))?;
    Ok(hash.to_string())
}

fn tell(args: &Args, hash: &str) {
    let role = match args.role {
        Role::View => PageRole::View,
        Role::Operate => PageRole::Operate,
        Role::Configure => PageRole::Configure,
    };
    if args.format == Format::Json {
        print(&format!("{}\n", json!({ "name": args.name, "role": role.word(), "password_hash": hash })));
        return;
    }
    // What is for people goes beside it, so that the lines can be sent into a file.
    let _ = writeln!(
        std::io::stderr(),
        "These lines go into the home file. To change the password later without a restart, put the hash into a file of \
         its own and write password_hash_file = \"..\" instead.\n"
    );
    print(&lines(&args.name, role, hash));
}

fn lines(name: &str, role: PageRole, hash: &str) -> String {
    format!("[user.{name}]\nrole = \"{}\"\npassword_hash = \"{hash}\"\n", role.word())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use argon2::password_hash::{PasswordHash, PasswordVerifier};

    use super::*;

    #[test]
    fn the_hash_is_argon2id_at_owasps_cost_and_the_home_file_takes_it() {
        let hash = hash("correct horse").unwrap();
        assert!(hash.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{hash}");
        let parsed = PasswordHash::new(&hash).unwrap();
        assert!(Argon2::default().verify_password(b"correct horse", &parsed).is_ok());
        assert!(Argon2::default().verify_password(b"correct hors", &parsed).is_err());
        assert_ne!(hash, super::hash("correct horse").unwrap(), "a salt of its own");

        let home = "[home]\nid = \"wren\"\ntimezone = \"Europe/London\"\n[supply]\nrating_a = 60\n\
                    [mqtt]\nurl = \"mqtt://127.0.0.1:1883\"\n[point.grid]\nmeasures = \"grid\"\n\
                    topic = \"house/grid\"\nunit = \"W\"\npositive = \"import\"\n";
        let home = format!("{home}{}", lines("anna", PageRole::Operate, &hash));
        let config = crate::config::parse(&home, std::path::Path::new("home.toml")).unwrap();
        let user = &config.web.users[0];
        assert_eq!((user.name.as_str(), user.role), ("anna", PageRole::Operate));
    }

    #[test]
    fn short_and_endless_passwords_are_refused_in_words() {
        assert_eq!(fits("1234567").unwrap_err(), "A password has at least 8 characters; this one has 7.");
        assert!(fits("äöüßäöüß").is_ok());
        assert!(fits(&"x".repeat(1025)).is_err());
        assert_eq!(one_line("pass word \r\nnext".as_bytes()).unwrap(), "pass word ");
        assert_eq!(one_line(&b""[..]).unwrap(), "");
    }
}
