//! The relay between machines and the recorder, each as it is shipped: nothing that was acknowledged is
//! lost, nothing is twice in the log, and of each machine the log has the order in which it sent.

mod kills;
mod limits;
mod mqtt;
mod network;
mod outage;
mod refusals;
mod signed;
mod tls;

use std::path::Path;

use tests::receipts::{Kept, kept_on_disk};
use tests::recorder::{Place, Running};
use tests::relay::{RelayPlace, free_port, wait_until};

/// A recorder at one address, and a relay that sends to it.
struct Shop {
    recorder: Place,
    port: u16,
    relay: RelayPlace,
}

impl Shop {
    fn new(folder: &Path, sections: &str) -> Self {
        let recorder = Place::new(&folder.join("recorder"));
        let port = free_port();
        let token = recorder.token("svc_relay", &["service"]);
        let url = format!("http://127.0.0.1:{port}");
        let relay = RelayPlace::new(&folder.join("relay"), &url, &token, sections);
        Self { recorder, port, relay }
    }

    fn start_recorder(&self) -> Running {
        self.recorder.start_at(&format!("127.0.0.1:{}", self.port))
    }

    /// Waits until an event is recorded, following the feed.
    fn wait_until_recorded(&self, recorder: &Running, id: &str) {
        let api = recorder.client(&self.recorder.token("op_auditor", &["auditor"]));
        let mut after = String::new();
        wait_until("the last event is recorded", || {
            let page = api.get(&format!("/v1/feed?limit=1000&wait_s=1{after}")).expect("a page");
            let page = page.json();
            if let Some(next) = page["next_after"].as_u64() {
                after = format!("&after={next}");
            }
            let items = page["items"].as_array().expect("items");
            items.iter().any(|item| item["entry"]["event"]["id"] == id)
        });
    }

    /// The whole log, after the recorder has stopped.
    fn log(&self, recorder: Running) -> Kept {
        assert!(recorder.stop().success(), "the recorder does not stop in good order");
        kept_on_disk(&self.recorder)
    }
}
