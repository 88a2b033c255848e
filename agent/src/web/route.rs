//! From a request to a reply. First the head is looked at (this host? from here? who?), then the
//! way; what is fetched changes nothing, what is pressed is a form of this site by somebody who is
//! signed in.

use super::ask::{Done, PressedAct};
use super::form::WebForm;
use super::frame::{ICON, Leaf, NavPlace, SCRIPT};
use super::house::{House, NO_WATCH, SharedLook};
use super::reply::{self, WebReply};
use super::server::Deadline;
use super::signing::{asked_for_code, signed_in, signed_out, to_of, wanted};
use super::{call_out, drill, guard, live, log, now, sign_in, tank, work};
use crate::chart::SHEET;
use http_body_util::{BodyExt as _, Limited};
use hyper::body::Incoming;
use hyper::header::{CONTENT_TYPE, USER_AGENT};
use hyper::{Method, Request, StatusCode};
use maud::Markup;
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::words::capital;
use std::sync::Arc;
use std::time::Duration;

/// An address is no longer than this.
const LONGEST_ADDRESS: usize = 2_000;
/// What a form may send …
const LARGEST_FORM: usize = 8 << 10;
/// … and how long that may take.
const FORM_WITHIN: Duration = Duration::from_secs(5);

/// Somebody who is signed in.
pub(super) struct SignedIn {
    pub(super) who: String,
    pub(super) mark: String,
}

/// The reply to a request.
pub(super) async fn answer(request: Request<Incoming>, house: &Arc<House>, deadline: Deadline) -> WebReply {
    if !guard::is_known_host(request.headers(), &house.settings) {
        return reply::words(
            StatusCode::MISDIRECTED_REQUEST,
            "This page is not known by that name: see `url` and `hosts` in `[web]`.",
        );
    }
    let uri = request.uri();
    let path = uri.path().to_owned();
    let strange = |octet: u8| !(octet.is_ascii_alphanumeric() || b"/-_.".contains(&octet));
    if uri.to_string().len() > LONGEST_ADDRESS
        || path.bytes().any(strange)
        || path.contains("..")
        || path.contains("//")
    {
        return reply::words(StatusCode::NOT_FOUND, "There is no such page.");
    }
    let query = WebForm::of(uri.query().unwrap_or_default());
    let token = guard::token(request.headers(), house.encrypted()).map(str::to_owned);
    let session = token.and_then(|token| house.sessions().who(&token));
    match *request.method() {
        Method::GET | Method::HEAD => {
            let signed_in =
                session.map(|session| SignedIn { mark: session.mark().to_owned(), who: session.who });
            fetched(&path, &query, house, signed_in, deadline).await
        }
        Method::POST => {
            if !guard::is_from_here(request.headers()) {
                return reply::words(StatusCode::FORBIDDEN, "Refused: this form was not sent by this site.");
            }
            let signed_in =
                session.map(|session| SignedIn { mark: session.mark().to_owned(), who: session.who });
            let device = request
                .headers()
                .get(USER_AGENT)
                .and_then(|name| name.to_str().ok())
                .unwrap_or("a browser")
                .to_owned();
            match form(request).await {
                Ok(form) => pressed(&path, &form, house, signed_in, &device).await,
                Err(refused) => refused,
            }
        }
        _ => reply::words(StatusCode::METHOD_NOT_ALLOWED, "Pages are fetched, and forms are sent."),
    }
}

async fn form(request: Request<Incoming>) -> Result<WebForm, WebReply> {
    let kind = request.headers().get(CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
    if !kind.starts_with("application/x-www-form-urlencoded") {
        return Err(reply::words(StatusCode::UNSUPPORTED_MEDIA_TYPE, "This is no form of this site."));
    }
    let body = Limited::new(request.into_body(), LARGEST_FORM).collect();
    match tokio::time::timeout(FORM_WITHIN, body).await {
        Ok(Ok(body)) => Ok(WebForm::of(&String::from_utf8_lossy(&body.to_bytes()))),
        Ok(Err(_)) => Err(reply::words(StatusCode::PAYLOAD_TOO_LARGE, "A form has at most 8 KiB.")),
        Err(_) => Err(reply::words(StatusCode::REQUEST_TIMEOUT, "This form took too long to come.")),
    }
}

/// What is there without anybody's being signed in.
fn public(path: &str, house: &House) -> Option<WebReply> {
    Some(match path {
        "/look.css" => reply::asset("text/css; charset=utf-8", SHEET),
        "/live.js" => reply::asset("text/javascript; charset=utf-8", SCRIPT),
        "/icon.svg" | "/favicon.ico" => reply::asset("image/svg+xml", ICON),
        _ => {
            let token = path.strip_prefix("/in/")?;
            let who = house.sessions().invited(token).map(str::to_owned);
            let (status, main) = match who {
                Some(who) => (StatusCode::OK, sign_in::invited(token, &capital(&who))),
                None => (StatusCode::GONE, sign_in::not_invited()),
            };
            reply::page(status, door("Sign in", main))
        }
    })
}

pub(super) fn door(title: &str, main: Markup) -> String {
    Leaf {
        seen: None,
        title: title.to_owned(),
        at: NavPlace::Door,
        path: "/".to_owned(),
        answers: false,
        who: None,
        main,
    }
    .html()
}

async fn fetched(
    path: &str,
    query: &WebForm,
    house: &Arc<House>,
    by: Option<SignedIn>,
    deadline: Deadline,
) -> WebReply {
    if let Some(found) = public(path, house) {
        return found;
    }
    if (by.is_none() && !house.settings.open_to_read) || path == "/sign-in" {
        return reply::page(
            if path == "/sign-in" { StatusCode::OK } else { StatusCode::UNAUTHORIZED },
            door("Sign in", sign_in::door(None, wanted(path, query))),
        );
    }
    if path == "/live" {
        return live::stream(house, deadline);
    }
    let Some(seen) = house.seen().await else {
        return reply::words(StatusCode::SERVICE_UNAVAILABLE, NO_WATCH);
    };
    let Some(by) = known(&seen, by, house) else {
        let door = door("Sign in", sign_in::door(None, wanted(path, query)));
        return reply::page(StatusCode::UNAUTHORIZED, door);
    };
    let who = by.as_ref().map(|by| by.who.as_str());
    let segments: Vec<&str> = path.split('/').filter(|segment| !segment.is_empty()).collect();
    let show = |title: String, at: NavPlace, answers: bool, main: Markup| {
        let who = who.map(|who| work::person(&seen, who));
        Leaf { seen: Some(&seen), title, at, path: path.to_owned(), answers, who, main }.html()
    };
    let found = match segments.as_slice() {
        [] => {
            let waters = house.waters(&seen.look.plan, seen.look.view.at.wall).await;
            let title = super::truth::heading(&seen.look).into_iter().next().unwrap_or_default();
            Some(show(
                title.trim_end_matches('.').to_owned(),
                NavPlace::Now,
                false,
                now::main(&seen, &waters),
            ))
        }
        ["call", code] => {
            return called(&seen, house, code, who, None).await.unwrap_or_else(|| no_call(&seen, who, house));
        }
        ["tank", name] => tank::main(house, &seen, name, query)
            .await
            .map(|main| show("Tank".to_owned(), NavPlace::Other, false, main)),
        ["log"] => Some(show("Log".to_owned(), NavPlace::Log, false, log::main(house, &seen, query).await)),
        ["log", name] => {
            if let Some(file) = log::file(house, &seen, name, query).await {
                return file;
            }
            None
        }
        ["work"] => Some(show("Work".to_owned(), NavPlace::Work, false, work::main(&seen, who, None))),
        ["drill"] => Some(show("Drill".to_owned(), NavPlace::Work, false, drill::main(&seen, who, None))),
        ["devices"] => by.as_ref().map(|by| {
            show(
                "Your devices".to_owned(),
                NavPlace::Other,
                false,
                sign_in::devices(house, &by.who, &by.mark),
            )
        }),
        _ => None,
    };
    found.map_or_else(
        || reply::words(StatusCode::NOT_FOUND, "There is no such page."),
        |html| reply::page(StatusCode::OK, html),
    )
}

/// Whoever is signed in, if the files still know them; none at all if nobody may look without.
#[expect(clippy::option_option, reason = "outer: may look; inner: is somebody")]
fn known(seen: &SharedLook, by: Option<SignedIn>, house: &House) -> Option<Option<SignedIn>> {
    match by {
        Some(by) if seen.look.plan.directory.contacts.contains_key(&by.who) => Some(Some(by)),
        Some(_) | None if house.settings.open_to_read => Some(None),
        Some(_) | None => None,
    }
}

/// The page of a call-out, by its code or that of something in it.
async fn called(
    seen: &SharedLook,
    house: &House,
    code: &str,
    who: Option<&str>,
    came: Option<&Done>,
) -> Option<WebReply> {
    let code = code.to_ascii_uppercase();
    let call = seen.look.view.calls.iter().find(|call| call.code == code)?;
    let page = house.read(call.id, who.unwrap_or_default()).await?;
    let reader = call_out::CallReader { who, said: came.map(|done| (done.words.as_str(), done.taken)) };
    let main = call_out::main(seen, call, &page, &reader);
    let title =
        format!("{}, code {code}", super::truth::lead(call).map_or("Drill", |lead| lead.what.as_str()));
    let leaf = Leaf {
        seen: Some(seen),
        title,
        at: NavPlace::Other,
        path: format!("/call/{code}"),
        answers: !call.over,
        who: who.map(|who| work::person(seen, who)),
        main,
    };
    Some(reply::page(StatusCode::OK, leaf.html()))
}

fn no_call(seen: &SharedLook, who: Option<&str>, house: &House) -> WebReply {
    let main = maud::html! {
        (super::frame::heading(&["This call-out is over.".to_owned()]))
        p.news { "Nobody is called for it any more. What came of it stands in the log." }
        p { a.btn.ink href="/" { "What is so now" } " " a.btn href="/log" { "The log" } }
    };
    let _ = house;
    let who = who.map(|who| work::person(seen, who));
    let leaf = Leaf {
        seen: Some(seen),
        title: "Over".to_owned(),
        at: NavPlace::Other,
        path: "/".to_owned(),
        answers: false,
        who,
        main,
    };
    reply::page(StatusCode::NOT_FOUND, leaf.html())
}

async fn pressed(
    path: &str,
    form: &WebForm,
    house: &Arc<House>,
    by: Option<SignedIn>,
    device: &str,
) -> WebReply {
    match path {
        "/in" => return signed_in(form, house, device),
        "/sign-in" => return asked_for_code(form, house).await,
        _ => {}
    }
    let Some(by) = by else {
        return reply::page(
            StatusCode::UNAUTHORIZED,
            door("Sign in", sign_in::door(Some("You are not signed in on this device."), to_of(form))),
        );
    };
    let Some(seen) = house.seen().await else {
        return reply::words(StatusCode::SERVICE_UNAVAILABLE, NO_WATCH);
    };
    let Some(Some(by)) = known(&seen, Some(by), house) else {
        return reply::page(
            StatusCode::UNAUTHORIZED,
            door("Sign in", sign_in::door(Some("You are no contact of this house any more."), "/")),
        );
    };
    let segments: Vec<&str> = path.split('/').filter(|segment| !segment.is_empty()).collect();
    let act = match segments.as_slice() {
        ["call", code] => answered(code, form),
        ["work"] => work::act(form),
        ["drill"] => drill::act(form),
        ["devices"] => return signed_out(form, house, &by),
        _ => return reply::words(StatusCode::NOT_FOUND, "There is no such page."),
    };
    let done = match act {
        Err(why) => Done { taken: false, words: why },
        Ok(act) if work::is_for_keepers(&act) && work::is_helper(&seen, &by.who) => {
            Done { taken: false, words: "This is for whoever keeps the tanks: call the keeper.".to_owned() }
        }
        Ok(act) => house.press(&by.who, act).await,
    };
    // What is shown is what came of it.
    let Some(seen) = house.seen().await else {
        return reply::words(StatusCode::SERVICE_UNAVAILABLE, NO_WATCH);
    };
    let came = Some((done.words.as_str(), done.taken));
    let status = if done.taken { StatusCode::OK } else { StatusCode::CONFLICT };
    let who = Some(work::person(&seen, &by.who));
    let show = |title: &str, at: NavPlace, main: Markup| {
        let leaf = Leaf {
            seen: Some(&seen),
            title: title.to_owned(),
            at,
            path: path.to_owned(),
            answers: false,
            who: who.clone(),
            main,
        };
        reply::page(status, leaf.html())
    };
    match segments.as_slice() {
        ["call", code] => {
            // A tick is shown where it was made.
            if done.taken && form.get("act") == Some("tick") {
                return reply::see(&format!("/call/{code}"));
            }
            match called(&seen, house, code, Some(&by.who), Some(&done)).await {
                Some(mut reply) => {
                    *reply.status_mut() = status;
                    reply
                }
                None => show("Over", NavPlace::Other, super::frame::said(&done.words, done.taken)),
            }
        }
        ["drill"] => show("Drill", NavPlace::Work, drill::main(&seen, Some(&by.who), came)),
        _ => show("Work", NavPlace::Work, work::main(&seen, Some(&by.who), came)),
    }
}

/// What was pressed on a call-out.
fn answered(code: &str, form: &WebForm) -> Result<PressedAct, String> {
    let code = code.to_ascii_uppercase();
    match form.get("act") {
        Some("have") => Ok(PressedAct::Has { code, length: work::span(form)? }),
        Some("next") => Ok(PressedAct::HandsOn { code }),
        Some("tick") => {
            let (step, done) = match (form.get("done"), form.get("undone")) {
                (Some(step), _) => (step, true),
                (None, Some(step)) => (step, false),
                (None, None) => return Err("no step was chosen".to_owned()),
            };
            Ok(PressedAct::Say(OperatorCommand::Tick { code, step: step.to_owned(), done }))
        }
        _ => Err("nothing was chosen".to_owned()),
    }
}
