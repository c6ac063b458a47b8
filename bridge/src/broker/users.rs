//! Who may connect, and what clients may do.

use std::future::Future;
use std::net::SocketAddr;
use std::pin::Pin;

use mqtt5::broker::{AuthProvider, AuthResult};
use mqtt5::packet::connect::ConnectPacket;
use mqtt5::protocol::v5::reason_codes::ReasonCode;

use super::bounds::REFUSE_AFTER;
use crate::config::Secret;

type Later<'a, T> = Pin<Box<dyn Future<Output = T> + Send + 'a>>;

/// The users of the broker. Whoever is let in may do everything: the devices of one home trust each other.
pub(super) struct Users {
    users: Vec<(String, Secret)>,
    allow_anonymous: bool,
}

impl Users {
    pub(super) fn new(users: Vec<(String, Secret)>, allow_anonymous: bool) -> Self {
        Self { users, allow_anonymous }
    }

    /// A user name that is given must be right, also where none is needed: a device with an old password is told so.
    fn lets_in(&self, user: Option<&str>, password: Option<&[u8]>) -> bool {
        let Some(user) = user else { return self.allow_anonymous };
        let password = password.unwrap_or_default();
        // All are compared, so that the time taken does not tell which names exist.
        self.users.iter().fold(false, |found, (name, secret)| {
            found | (same(name.as_bytes(), user.as_bytes()) & same(secret.reveal().as_bytes(), password))
        })
    }
}

/// Compares in a time that depends on the lengths only.
fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |difference, (a, b)| difference | (a ^ b)) == 0
}

impl AuthProvider for Users {
    fn authenticate<'a>(
        &'a self,
        connect: &'a ConnectPacket,
        client: SocketAddr,
    ) -> Later<'a, mqtt5::Result<AuthResult>> {
        Box::pin(async move {
            let user = connect.username.as_deref();
            if self.lets_in(user, connect.password.as_deref()) {
                return Ok(user.map_or_else(AuthResult::success, AuthResult::success_with_user));
            }
            tracing::warn!("the broker refused {client}: wrong user name or password");
            tokio::time::sleep(REFUSE_AFTER).await;
            Ok(AuthResult::fail(ReasonCode::BadUsernameOrPassword))
        })
    }

    fn authorize_publish<'a>(&'a self, _: &str, _: Option<&'a str>, topic: &'a str) -> Later<'a, bool> {
        // Topics with a dollar belong to the broker.
        let allowed = !topic.starts_with('$');
        Box::pin(async move { allowed })
    }

    fn authorize_subscribe<'a>(&'a self, _: &str, _: Option<&'a str>, _: &'a str) -> Later<'a, bool> {
        Box::pin(async { true })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn users(allow_anonymous: bool) -> Users {
        let users = vec![
            ("wren".to_owned(), Secret::new("one".into())),
            ("tit".to_owned(), Secret::new("two".into())),
        ];
        Users::new(users, allow_anonymous)
    }

    #[test]
    fn only_the_right_password_of_the_right_user() {
        let users = users(false);
        assert!(users.lets_in(Some("wren"), Some(b"one")));
        assert!(users.lets_in(Some("tit"), Some(b"two")));
        for (user, password) in [("wren", "two"), ("tit", "one"), ("wren", ""), ("", ""), ("robin", "one")] {
            assert!(!users.lets_in(Some(user), Some(password.as_bytes())), "{user} {password}");
        }
        assert!(!users.lets_in(Some("wren"), None));
        assert!(!users.lets_in(None, None));
    }

    #[test]
    fn no_user_name_is_another_thing_than_a_wrong_one() {
        let users = users(true);
        assert!(users.lets_in(None, None));
        assert!(!users.lets_in(Some("wren"), Some(b"wrong")));
    }
}
