//! Who works at Brackwater Works and with what. All invented, names included: they lie in the people
//! store, and the record holds pseudonyms only.

use super::calendar::Site;

/// A person of the shop.
#[derive(Debug)]
pub(super) struct Person {
    pub(super) id: &'static str,
    pub(super) name: &'static str,
    pub(super) role: &'static str,
    /// `None`: both sites.
    pub(super) site: Option<Site>,
}

/// A person by position in [`PEOPLE`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Who(pub(super) usize);

impl Who {
    pub(super) fn id(self) -> &'static str {
        PEOPLE[self.0].id
    }
}

const fn person(
    id: &'static str,
    name: &'static str,
    role: &'static str,
    site: Option<Site>,
) -> Person {
    Person { id, name, role, site }
}

/// Everybody.
pub(super) const PEOPLE: &[Person] = &[
    person("op_k7m2q9xd", "Orsel Vandrim", "technician", Some(Site::North)),
    person("op_t4vw8rhz", "Mirel Quastor", "technician", Some(Site::North)),
    person("op_b9fj3n6c", "Jovik Tislek", "technician", Some(Site::North)),
    person("op_x2sg7p5y", "Brenna Holvirk", "technician", Some(Site::North)),
    person("op_d6zc4k8m", "Padran Eskeld", "lead", Some(Site::North)),
    person("op_q3hn9t7v", "Luma Orvesti", "quality", Some(Site::North)),
    person("op_w5yr2b4j", "Tavish Gremmond", "ehs", Some(Site::North)),
    person("op_g8pd6x3s", "Sorel Abrantil", "technician", Some(Site::South)),
    person("op_m4tk9c7f", "Niko Vestrimm", "technician", Some(Site::South)),
    person("op_z7bq5v2h", "Ysolt Karvander", "technician", Some(Site::South)),
    person("op_r6nj8w4g", "Hadrik Pellmoor", "lead", Some(Site::South)),
    person("op_c3xf7y9p", "Wenna Tostrup-Ild", "quality", Some(Site::South)),
    person("op_h9sd4m2t", "Rasmin Colveda", "ehs", Some(Site::South)),
    person("op_v5kz6q8b", "Ilke Morvanz", "admin", None),
];

/// The log keeper.
pub(super) const ADMIN: Who = Who(13);

/// The people of one site.
#[derive(Debug, Clone, Copy)]
pub(super) struct Team {
    pub(super) technicians: &'static [Who],
    pub(super) lead: Who,
    pub(super) quality: Who,
    pub(super) ehs: Who,
}

/// The team of a site.
pub(super) fn team(site: Site) -> Team {
    match site {
        Site::North => Team {
            technicians: &[Who(0), Who(1), Who(2), Who(3)],
            lead: Who(4),
            quality: Who(5),
            ehs: Who(6),
        },
        Site::South => Team {
            technicians: &[Who(7), Who(8), Who(9)],
            lead: Who(10),
            quality: Who(11),
            ehs: Who(12),
        },
    }
}

/// A machine of the shop.
#[derive(Debug)]
pub(super) struct Machine {
    pub(super) id: &'static str,
    pub(super) kind: &'static str,
    pub(super) label: &'static str,
    pub(super) site: Site,
    pub(super) meters: &'static [(&'static str, &'static str)],
    pub(super) positions: &'static [(&'static str, &'static str)],
    /// For a scale: interval and capacity in kg, as written.
    pub(super) scale: Option<(&'static str, &'static str)>,
}

const PRINTER_METERS: &[(&str, &str)] = &[("run", "h"), ("builds", "1")];
const PRINTER_POSITIONS: &[(&str, &str)] =
    &[("recoater", "recoater"), ("exhaust", "hepa_filter"), ("window", "window")];
const METAL_POSITIONS: &[(&str, &str)] = &[
    ("recoater", "recoater"),
    ("exhaust", "hepa_filter"),
    ("window", "window"),
    ("oxygen", "oxygen_sensor"),
];
const SIEVE_POSITIONS: &[(&str, &str)] =
    &[("deck", "sieve"), ("exhaust", "hepa_filter"), ("intake", "pre_filter")];
const FILTER: &[(&str, &str)] = &[("exhaust", "hepa_filter")];
const RUN: &[(&str, &str)] = &[("run", "h")];
const SIFT: &[(&str, &str)] = &[("sift", "h")];

macro_rules! machine {
    ($id:literal, $kind:literal, $label:literal, $site:ident, $meters:expr, $positions:expr) => {
        Machine {
            id: $id,
            kind: $kind,
            label: $label,
            site: Site::$site,
            meters: $meters,
            positions: $positions,
            scale: None,
        }
    };
}

/// Every machine and device.
pub(super) const MACHINES: &[Machine] = &[
    machine!("P-01", "printer", "Polymer printer 1", North, PRINTER_METERS, PRINTER_POSITIONS),
    machine!("P-02", "printer", "Polymer printer 2", North, PRINTER_METERS, PRINTER_POSITIONS),
    machine!("P-03", "printer", "Polymer printer 3", North, PRINTER_METERS, PRINTER_POSITIONS),
    machine!("S-01", "sieving_station", "Sieving station 1", North, SIFT, SIEVE_POSITIONS),
    machine!("S-02", "sieving_station", "Sieving station 2", North, SIFT, SIEVE_POSITIONS),
    machine!("B-01", "blender", "Drum blender", North, RUN, &[]),
    machine!("V-01", "vacuum", "Vacuum cleaner, polymer", North, RUN, FILTER),
    Machine {
        id: "W-01",
        kind: "scale",
        label: "Floor scale, polymer room",
        site: Site::North,
        meters: &[],
        positions: &[],
        scale: Some(("0.02", "150")),
    },
    machine!("X-01", "extraction", "Extraction, polymer room", North, RUN, FILTER),
    machine!(
        "P-11",
        "printer",
        "Metal printer 1, titanium",
        South,
        PRINTER_METERS,
        METAL_POSITIONS
    ),
    machine!(
        "P-12",
        "printer",
        "Metal printer 2, aluminium",
        South,
        PRINTER_METERS,
        METAL_POSITIONS
    ),
    machine!("S-11", "sieving_station", "Sieving station, titanium", South, SIFT, SIEVE_POSITIONS),
    machine!("S-12", "sieving_station", "Sieving station, aluminium", South, SIFT, SIEVE_POSITIONS),
    machine!("V-11", "vacuum", "Vacuum cleaner, titanium", South, RUN, FILTER),
    machine!("V-12", "vacuum", "Vacuum cleaner, aluminium", South, RUN, FILTER),
    Machine {
        id: "W-11",
        kind: "scale",
        label: "Bench scale, metal room",
        site: Site::South,
        meters: &[],
        positions: &[],
        scale: Some(("0.005", "60")),
    },
    machine!("X-11", "extraction", "Extraction, metal room", South, RUN, FILTER),
];

/// The machines of a site.
pub(super) fn machines(site: Site) -> impl Iterator<Item = &'static Machine> {
    MACHINES.iter().filter(move |m| m.site == site)
}

/// Room of a site where powder is handled.
pub(super) fn room(site: Site) -> &'static str {
    match site {
        Site::North => "polymer-room",
        Site::South => "metal-room",
    }
}

/// The scale of a site.
pub(super) fn scale(site: Site) -> &'static str {
    match site {
        Site::North => "W-01",
        Site::South => "W-11",
    }
}

/// Resolution of the site's scale in grams.
pub(super) fn step_g(site: Site) -> i64 {
    match site {
        Site::North => 20,
        Site::South => 5,
    }
}

/// Tasks a technician is authorised for, one by one.
pub(super) const TECHNICIAN_TASKS: &[&str] =
    &["powder_handling", "sieving", "sieve_change", "filter_change", "build", "waste_handling"];
