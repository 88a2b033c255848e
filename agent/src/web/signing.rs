//! Forms of those who come and go: a code is asked for, a code or an invitation is used, a device
//! is signed out. What they are led to stands in `sign_in`.

use super::ask::CodeAsk;
use super::codes::CodeTyped;
use super::form::WebForm;
use super::house::{House, NO_WATCH};
use super::reply::{self, WebReply};
use super::route::{SignedIn, door};
use super::{guard, sign_in};
use hyper::StatusCode;
use hyper::header::{LOCATION, SET_COOKIE};
use std::sync::Arc;
use std::time::Instant;

/// Where somebody wanted to go who has to sign in first.
pub(super) fn wanted<'w>(path: &'w str, query: &'w WebForm) -> &'w str {
    match path {
        "/sign-in" => to_of(query),
        path if is_way(path) => path,
        _ => "/",
    }
}

/// The same, as a form brings it back.
pub(super) fn to_of(form: &WebForm) -> &str {
    form.get("to").filter(|to| is_way(to)).unwrap_or("/")
}

/// Nothing but a page of this site.
fn is_way(path: &str) -> bool {
    let plain = |octet: u8| octet.is_ascii_alphanumeric() || b"/-_.".contains(&octet);
    path.starts_with('/')
        && !path.contains("//")
        && !path.contains("..")
        && path.len() <= 200
        && path.bytes().all(plain)
}

/// Somebody asks for a code, by a name. The reply is the same whether there is such a person or
/// not.
pub(super) async fn asked_for_code(form: &WebForm, house: &Arc<House>) -> WebReply {
    let Some(seen) = house.seen().await else {
        return reply::words(StatusCode::SERVICE_UNAVAILABLE, NO_WATCH);
    };
    let name = form.get("who").unwrap_or_default();
    let is = |text: &str| text.to_lowercase() == name.to_lowercase();
    let contacts = &seen.look.plan.directory.contacts;
    let mut called =
        contacts.iter().filter(|(key, contact)| is(key) || is(&contact.name)).map(|(key, _)| key);
    // Two of one name: then the name that files use tells them apart.
    let who = match (called.next(), called.next()) {
        (Some(who), None) => Some(who.as_str()),
        _ => contacts.keys().map(String::as_str).find(|key| *key == name),
    };
    let new = who.and_then(|who| house.codes().another(who, Instant::now()));
    let asked = match (who, new) {
        (Some(who), Some(new)) => {
            house.hand_over(CodeAsk::Send { who: who.to_owned(), code: new.code });
            Some(new.asked)
        }
        _ => super::sessions::token(),
    };
    let Some(asked) = asked else {
        return reply::words(StatusCode::SERVICE_UNAVAILABLE, "The system gives no random bits.");
    };
    reply::page(StatusCode::OK, door("Sign in", sign_in::asked(&asked, None, to_of(form))))
}

pub(super) fn signed_in(form: &WebForm, house: &Arc<House>, device: &str) -> WebReply {
    let accepted = match form.get("asked") {
        Some(asked) => {
            let typed = house.codes().typed(asked, form.get("code").unwrap_or_default(), Instant::now());
            match typed {
                CodeTyped::Right(who) => house.sessions().sign_in(&who, device).map(|token| (token, who)),
                CodeTyped::Wrong => {
                    let wrong = "This is not the code, or it is too old.";
                    let main = sign_in::asked(asked, Some(wrong), to_of(form));
                    return reply::page(StatusCode::FORBIDDEN, door("Sign in", main));
                }
                CodeTyped::Guessed(who) => {
                    tracing::warn!(who, "too many wrong codes on the page in the house");
                    house.hand_over(CodeAsk::Guessed { who });
                    let main = sign_in::door(Some("Too many wrong codes: ask for another."), to_of(form));
                    return reply::page(StatusCode::FORBIDDEN, door("Sign in", main));
                }
            }
        }
        None => form.get("invitation").and_then(|invitation| house.sessions().accept(invitation, device)),
    };
    let Some((token, who)) = accepted else {
        return reply::page(StatusCode::GONE, door("Sign in", sign_in::not_invited()));
    };
    tracing::info!(who, "signed in on the page in the house");
    let mut reply = reply::see(to_of(form));
    reply::set(&mut reply, SET_COOKIE, &guard::cookie(Some(&token), house.encrypted()));
    reply
}

pub(super) fn signed_out(form: &WebForm, house: &House, by: &SignedIn) -> WebReply {
    let asked = form.get("session").unwrap_or_default();
    let own = house.sessions().all().iter().any(|session| session.who == by.who && session.mark() == asked);
    if own {
        house.sessions().withdraw(asked);
    }
    let mut reply = reply::see(if asked == by.mark { "/sign-in" } else { "/devices" });
    if own && asked == by.mark {
        reply::set(&mut reply, SET_COOKIE, &guard::cookie(None, house.encrypted()));
    }
    debug_assert!(reply.headers().contains_key(LOCATION), "whoever pressed is led on");
    reply
}
