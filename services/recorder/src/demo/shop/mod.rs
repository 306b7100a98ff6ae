//! The invented shop of the demo: a year at Brackwater Works, day by day, from one seed.
//!
//! Pure: the same seed gives the same bytes. Two sites: `north` prints PA12, `south` prints a
//! titanium and an aluminium alloy. The simulation keeps its own true account of powder, meters
//! and wear; what people and machines write down about it becomes a [`Script`] of posts. The
//! troubles of real life are planted on known days and listed with what must come out of them.

mod calendar;
mod cast;
mod crew;
mod desk;
mod floor;
mod metal;
mod milestones;
mod polymer;
mod rng;
mod script;
mod setup;
mod stock;
#[cfg(test)]
mod tests;
mod troubles;
mod upkeep;
mod waste;

use calendar::{FIRST_DAY, LAST_DAY, Shift, Site};
use floor::Shop;

pub use script::{Client, ClientIx, Deposit, EventNo, Expect, Item, Mode, Post, Script, Template};
pub use troubles::{Must, Planted, names as trouble_names};

/// What the simulation can be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Options {
    /// Everything random comes from it.
    pub seed: u64,
    /// Times each meter is read in a shift: more readings make more events.
    pub readings_a_shift: usize,
}

impl Default for Options {
    fn default() -> Self {
        Self { seed: 1, readings_a_shift: 1 }
    }
}

/// Plays the year and writes down what is posted.
pub fn script(options: Options) -> Script {
    let shop = live(options);
    let ends = Site::North.at(LAST_DAY, 22, 0) + calendar::minutes(420);
    let (posts, deposits) = shop.desk.close();
    Script {
        clients: desk::Desk::clients(),
        posts,
        deposits,
        troubles: shop.troubles.planted,
        begins: Site::North.at(FIRST_DAY, 5, 30),
        ends,
    }
}

/// Lets the year go by.
fn live(options: Options) -> Shop {
    let mut shop = Shop::new(options.seed, options.readings_a_shift);
    setup::open(&mut shop);
    for day in calendar::days().filter(|day| *day > FIRST_DAY) {
        for site in Site::BOTH.into_iter().filter(|site| site.works_on(day)) {
            for shift in [Shift::Early, Shift::Late] {
                work(&mut shop, site, day, shift);
            }
        }
    }
    assert_eq!(shop.stock.total_g(), 0, "mass is conserved");
    shop
}

fn work(shop: &mut Shop, site: Site, day: jiff::civil::Date, shift: Shift) {
    let mut turn = shop.turn(site, day, shift);
    crew::take_over(shop, &mut turn);
    upkeep::begin_shift(shop, &mut turn);
    crew::sign_off(shop, &mut turn);
    troubles::strike(shop, &mut turn);
    milestones::pass(shop, &mut turn);
    crew::rounds(shop, &mut turn);
    upkeep::maintain(shop, &mut turn);
    match site {
        Site::North => polymer::produce(shop, &mut turn),
        Site::South => metal::produce(shop, &mut turn),
    }
    if site == Site::South {
        metal::empty_canisters(shop, &mut turn);
        troubles::closes_month(shop, &mut turn);
    }
    upkeep::end_shift(shop, &mut turn);
    crew::hand_over(shop, &mut turn);
    shop.ended.insert(site, turn.now);
    shop.desk.flush(site);
}
