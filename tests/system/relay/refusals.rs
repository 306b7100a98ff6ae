//! What the recorder does not want: an event it refuses is kept, seen, mended and sent again; a token it
//! does not accept blocks the line and is seen.

use serde_json::json;
use tests::programs::run;
use tests::relay::{machine_event, nth, wait_until};

use super::Shop;

#[test]
fn a_refused_event_does_not_block_the_line_and_is_sent_again_when_it_is_mended() {
    let folder = tempfile::tempdir().expect("a folder");
    let shop = Shop::new(folder.path(), "");
    let recorder = shop.start_recorder();
    let relay = shop.relay.start();
    let machine = shop.relay.machine(&relay);
    let good = |n| machine_event("m", &nth("m", n));
    let mut bad = good(1);
    bad["data"]["colour"] = json!("blue");
    for event in [&good(0), &bad, &good(2)] {
        assert!(machine.send(event));
    }
    shop.relay.wait_until_delivered(&relay);
    let listed = shop.relay.say(&["refused", "list"]);
    assert!(listed.contains("machines  pulverlog.meter.read /machines/m m-00001"), "{listed}");
    assert!(listed.contains("unknown-member /data/colour"), "{listed}");
    let id = listed.split_whitespace().next().expect("an id");

    // As it is, it is refused again, and is the same entry.
    shop.relay.say(&["refused", "resend", id]);
    wait_until("it is refused again", || {
        let status = machine.status();
        status["waiting"] == 0 && status["refused"] == 1
    });
    assert_eq!(shop.relay.say(&["refused", "list"]).split_whitespace().next(), Some(id));

    // Mended, it is recorded; what was refused is kept.
    let mended = folder.path().join("mended.json");
    std::fs::write(&mended, good(1).to_string()).expect("written");
    let file = mended.to_str().expect("text");
    shop.relay.say(&["refused", "resend", id, "--corrected", file]);
    shop.relay.wait_until_delivered(&relay);
    assert_eq!(shop.relay.say(&["refused", "list"]), "");
    let kept = std::fs::read_to_string(shop.relay.data().join(format!("refused/resent/{id}.json")));
    assert!(kept.expect("the refused event is kept").contains("colour"));
    relay.stop();
    let log = shop.log(recorder);
    for n in 0..3 {
        assert_eq!(log[&nth("m", n)].len(), 1);
    }
}

#[test]
fn a_token_that_is_not_accepted_blocks_the_line_until_it_is_renewed() {
    let folder = tempfile::tempdir().expect("a folder");
    let shop = Shop::new(folder.path(), "");
    let recorder = shop.start_recorder();
    let renewed = shop.recorder.token("svc_relay", &["service"]);
    // An auditor may read and not send; the other is no token at all.
    for token in [shop.recorder.token("op_auditor", &["auditor"]), "x".repeat(40)] {
        shop.relay.set_recorder_token(&token);
        let relay = shop.relay.start();
        let machine = shop.relay.machine(&relay);
        assert!(machine.send(&machine_event("m", &token[..20])));
        wait_until("the line is blocked", || machine.status()["delivery"]["reason"] == "token");
        let status = run(&mut shop.relay.command(&["status"]));
        assert_eq!(status.status.code(), Some(1), "a blocked relay is seen from outside");
        assert_eq!(
            machine.api.get("/readyz").expect("an answer").status,
            200,
            "it still takes events"
        );
        let metrics = machine.api.get("/metrics").expect("an answer").text();
        assert!(metrics.contains("pulverlog_relay_blocked 1"), "{metrics}");

        shop.relay.set_recorder_token(&renewed);
        shop.relay.wait_until_delivered(&relay);
        assert_eq!(machine.status()["refused"], 0);
        relay.stop();
    }
    drop(recorder);
}
