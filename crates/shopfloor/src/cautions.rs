//! Cautions shown with a task, in the reports and in the API.
//!
//! The wording is our own and general; every text ends by deferring to those who know the place.
//! Sources stand beside each text; a caution is never a limit value and never replaces a risk
//! assessment.

/// Closing words of every caution.
pub const DEFER: &str = "Follow the machine's manual, local codes and licensed practice.";

/// One caution of the catalogue.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Caution {
    /// Stable id, used in plans and in the API.
    pub id: &'static str,
    /// Heading.
    pub title: &'static str,
    /// What to do and why, without the closing words.
    pub text: &'static str,
    /// Where it comes from.
    pub source: &'static str,
}

/// The catalogue, in the order in which cautions are shown.
pub const CAUTIONS: &[Caution] = &[
    Caution {
        id: "combustible_dust",
        title: "Combustible dust",
        text: "Fine polymer and metal powder can explode when stirred up. Vacuum with a cleaner \
               rated for combustible dust; do not blow down or sweep hard. Keep layers thin and \
               surfaces clean.",
        source: "Kuracina et al., Polymers 2021, 13(17) 3014 (PA12, St 1); NFPA 654 text on blow-down, secondary",
    },
    Caution {
        id: "ignition_and_earthing",
        title: "Ignition and earthing",
        text: "Keep sparks, flames and hot work away. Earth and bond containers, hoses and people \
               before powder moves; check the clamp each time.",
        source: "NFPA 77 (2000) 6.6.3.1, person to ground; metal bond 10 ohm, secondary",
    },
    Caution {
        id: "breathing_protection",
        title: "Breathing protection",
        text: "Wear a fitted particle mask of the class your site prescribes, and gloves and eye \
               protection. A fit test is valid for one person, one model and one size.",
        source: "29 CFR 1910.134(f)(2)",
    },
    Caution {
        id: "hot_powder",
        title: "Hot powder and surfaces",
        text: "Let the build, chamber and powder cool before opening or handling. The inside of a \
               powder cake stays hot for long.",
        source: "common practice, no source",
    },
    Caution {
        id: "reactive_metal",
        title: "Reactive metals",
        text: "Titanium, aluminium and magnesium powders can ignite or give off hydrogen with \
               water. Keep them apart from other waste and from water unless a qualified person \
               says otherwise; keep a suitable extinguishing agent at hand.",
        source: "49 CFR 172.101 (UN1396, UN2546); common practice, no source",
    },
    Caution {
        id: "lifting",
        title: "Lifting",
        text: "Containers of powder are heavier than they look. Use a lifting aid or a second \
               person; tie bags before lifting.",
        source: "common practice, no source",
    },
    Caution {
        id: "isolation",
        title: "Isolation before opening",
        text: "Switch off, lock, and check that no energy is left before reaching into a machine.",
        source: "29 CFR 1910.147",
    },
    Caution {
        id: "hazardous_waste",
        title: "Hazardous waste",
        text: "Keep containers closed except when adding, marked and apart from incompatible \
               waste. The class of a waste is decided by the person who generates it, never by \
               this software.",
        source: "40 CFR 262.11, 262.16(b)(2)(iii)",
    },
];

/// Looks a caution up by its id.
pub fn find(id: &str) -> Option<&'static Caution> {
    CAUTIONS.iter().find(|c| c.id == id)
}

impl Caution {
    /// The whole text with its closing words.
    pub fn full_text(&self) -> String {
        format!("{} {DEFER}", self.text)
    }
}
