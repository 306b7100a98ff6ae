//! Badges at shared terminals: sessions that end when they should, and a PIN that its owner changes.

use ledger::seams::OsRandom;
use recorder::authn::credentials::{Credentials, Holder};
use serde_json::json;
use shopfloor::ids::PersonId;
use shopfloor::people::events::Role;

use crate::bench::{Bench, config, reading};

const PERSON: &str = "op_k7m2q9xd";
const BADGE: &str = "4711";
const PIN: &str = "482913";

fn holder(role: Role) -> Holder {
    Holder { person: PersonId::new(PERSON).unwrap(), roles: vec![role], sites: None }
}

async fn shop() -> Bench {
    let bench = Bench::start().await;
    let credentials = bench.recorder.authn.credentials();
    credentials.enrol(holder(Role::Lead), BADGE, PIN, &mut OsRandom).unwrap();
    bench
}

/// Sends a form of a page; returns status, text, and the token of the session cookie if one is set.
async fn send(
    bench: &Bench,
    path: &str,
    session: Option<&str>,
    form: &[(&str, &str)],
) -> (u16, String, Option<String>) {
    let http = reqwest::Client::builder().redirect(reqwest::redirect::Policy::none()).build();
    // Letters and digits only: nothing of it needs an escape.
    let pairs: Vec<String> = form.iter().map(|(name, value)| format!("{name}={value}")).collect();
    let mut request = http
        .unwrap()
        .post(format!("{}{path}", bench.base))
        .header("origin", &bench.base)
        .header("content-type", "application/x-www-form-urlencoded")
        .body(pairs.join("&"));
    if let Some(token) = session {
        request = request.header("cookie", format!("pulverlog-session={token}"));
    }
    let answer = request.send().await.unwrap();
    let cookie = answer.headers().get_all("set-cookie").iter().find_map(|value| {
        let token = value.to_str().unwrap().strip_prefix("pulverlog-session=")?;
        token.split(';').next().map(str::to_owned)
    });
    (answer.status().as_u16(), answer.text().await.unwrap(), cookie)
}

async fn sign_in(bench: &Bench, pin: &str) -> Option<String> {
    send(bench, "/sign-in", None, &[("badge", BADGE), ("pin", pin)]).await.2
}

async fn opens(bench: &Bench, token: &str) -> bool {
    let status = bench.get("/v1/findings", token).await.status;
    assert!(matches!(status, 200 | 401), "{status}");
    status == 200
}

/// ASVS 5.0, 7.4.1: a token that was copied is worth nothing once its owner has signed out.
#[actix_web::test]
async fn signing_out_ends_the_session_wherever_its_token_is() {
    let bench = shop().await;
    let (one, two) = (sign_in(&bench, PIN).await.unwrap(), sign_in(&bench, PIN).await.unwrap());
    assert_ne!(one, two, "two sessions of one second are two");
    assert!(opens(&bench, &one).await && opens(&bench, &two).await);
    let (status, _, cookie) = send(&bench, "/sign-out", Some(&one), &[]).await;
    assert_eq!((status, cookie.as_deref()), (303, Some("")));
    assert!(!opens(&bench, &one).await);
    assert!(opens(&bench, &two).await, "the other terminal");
    assert_eq!(bench.counter("pulverlog_tokens_rejected_total{reason=\"ended\"}"), 1);

    // A token of an identity provider, too.
    let provided = bench.token("op_lead", &[Role::Lead], None);
    let (_, _, cookie) = send(&bench, "/sign-in", None, &[("token", &provided)]).await;
    assert_eq!(cookie.as_deref(), Some(provided.as_str()));
    assert!(opens(&bench, &provided).await);
    send(&bench, "/sign-out", Some(&provided), &[]).await;
    assert!(!opens(&bench, &provided).await);
    bench.stop().await;
}

/// ASVS 5.0, 6.2.2, 6.2.3, 7.4.3.
#[actix_web::test]
async fn a_pin_that_its_owner_changes_ends_every_other_session() {
    let bench = shop().await;
    let (here, there) = (sign_in(&bench, PIN).await.unwrap(), sign_in(&bench, PIN).await.unwrap());
    let change = async |form: &[(&str, &str)]| send(&bench, "/pin", Some(&here), form).await;
    let with =
        |badge, pin, new, again| [("badge", badge), ("pin", pin), ("new", new), ("again", again)];
    for (form, told) in [
        (with(BADGE, PIN, "917364", "917365"), "typed in two ways"),
        (with(BADGE, "000000", "917364", "917364"), "do not belong together"),
        (with("4712", PIN, "917364", "917364"), "do not belong together"),
        (with(BADGE, PIN, PIN, PIN), "the one you have"),
        (with(BADGE, PIN, "91736", "91736"), "at least 6 characters"),
        (with(BADGE, PIN, "123456", "123456"), "is a sequence"),
        (with(BADGE, PIN, "919191", "919191"), "repeats itself"),
        (with(BADGE, PIN, "311299", "311299"), "date or a year"),
        (with(BADGE, PIN, "471190", "471190"), "repeats the badge number"),
        (with(BADGE, PIN, "powder77", "powder77"), "tried first"),
    ] {
        let (status, page, cookie) = change(&form).await;
        assert_eq!((status, cookie), (403, None), "{told}");
        assert!(page.contains(told), "{told}: {page}");
    }
    assert!(opens(&bench, &there).await, "nothing was changed");

    let (status, _, cookie) = change(&with(BADGE, PIN, "917364", "917364")).await;
    assert_eq!(status, 303);
    assert!(!opens(&bench, &here).await && !opens(&bench, &there).await);
    assert!(opens(&bench, &cookie.unwrap()).await, "where it was changed, work goes on");
    assert_eq!(sign_in(&bench, PIN).await, None);
    assert!(sign_in(&bench, "917364").await.is_some());

    // Who signed in elsewhere has no PIN here.
    let token = bench.token("op_lead", &[Role::Lead], None);
    let form = with(BADGE, "917364", "605827", "605827");
    assert_eq!(send(&bench, "/pin", Some(&token), &form).await.0, 404);
    bench.stop().await;
}

#[actix_web::test]
async fn another_badge_for_a_person_ends_the_sessions_of_the_old_one() {
    let bench = shop().await;
    let token = sign_in(&bench, PIN).await.unwrap();
    assert!(opens(&bench, &token).await);
    // As `recorder badge` does it, in a process of its own.
    let elsewhere = Credentials::of(&config(bench.dir.path()));
    elsewhere.enrol(holder(Role::Technician), "4712", "605827", &mut OsRandom).unwrap();
    assert!(!opens(&bench, &token).await);
    assert_eq!(sign_in(&bench, PIN).await, None);
    bench.stop().await;
}

/// 21 CFR 11.10(j): asked once, before the first signature.
#[actix_web::test]
async fn a_second_person_acknowledges_the_policy_before_the_first_signature() {
    let bench = shop().await;
    let second = Holder {
        person: PersonId::new("op_second").unwrap(),
        roles: vec![Role::Lead],
        sites: None,
    };
    let credentials = bench.recorder.authn.credentials();
    credentials.enrol(second, "4712", "605827", &mut OsRandom).unwrap();
    let admin = bench.token("op_admin", &[Role::Admin], None);
    let settings = json!({
        "specversion": "1.0", "id": "settings", "source": "/office",
        "type": "pulverlog.config.changed", "subject": "site/north", "time": "2026-03-05T12:00:00Z",
        "data": {
            "signing_policy": { "version": "SP-1", "document": "a".repeat(64) },
            "reason": "first_settings",
        },
    });
    assert_eq!(bench.record(&admin, &settings).await.status, 201);
    let session = sign_in(&bench, PIN).await.unwrap();
    let sign = async |id: &str| {
        let work = bench.record(&bench.mes(), &reading(id, "1")).await.json();
        let path = format!("/record/done/{}", work["seq"]);
        let form = [("kind", "sieve_change"), ("second.badge", "4712"), ("second.pin", "605827")];
        (send(&bench, &path, Some(&session), &form).await, work["seq"].as_u64().unwrap())
    };
    let ((status, page, _), _) = sign("before").await;
    assert_eq!(status, 403);
    assert!(page.contains("Acknowledge policy SP-1 first"), "{page}");
    assert!(page.contains("href=\"/signing-policy?site=north\""), "{page}");

    let acknowledge = async |read: &str, pin: &str| {
        let form = [("site", "north"), ("read", read), ("badge", "4712"), ("pin", pin)];
        send(&bench, "/signing-policy", Some(&session), &form).await
    };
    let before = bench.recorder.log.size();
    assert_eq!(acknowledge("", "605827").await.0, 403, "not ticked");
    assert_eq!(acknowledge("SP-1", "605828").await.0, 403, "not the PIN");
    assert_eq!(bench.recorder.log.size(), before);
    for _ in 0..2 {
        let (status, page, _) = acknowledge("SP-1", "605827").await;
        assert_eq!(status, 200);
        assert!(page.contains("Acknowledged by op_second"), "{page}");
    }
    assert_eq!(bench.names(before), ["signing_policy.acknowledged"], "once");
    let entry = bench.get(&format!("/v1/entries/{before}"), &bench.mes()).await.json();
    assert_eq!(entry["actor"], json!({ "id": "op_second", "via": "badge" }));

    for id in ["first", "next"] {
        let ((status, page, _), seq) = sign(id).await;
        assert_eq!(status, 303, "{page}");
        let standing = bench.get(&format!("/v1/entries/{seq}/standing"), &bench.mes()).await.json();
        assert_eq!(standing["signatures"][0]["person"], "op_second", "{standing}");
    }
    bench.stop().await;
}
