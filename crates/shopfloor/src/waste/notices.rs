//! What is to be said with every answer about waste law, in our own words, with the legal hook.

/// One notice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Notice {
    /// Stable id.
    pub id: &'static str,
    /// Jurisdiction it belongs to; empty: everywhere.
    pub jurisdiction: &'static str,
    /// The text.
    pub text: &'static str,
    /// Where it comes from.
    pub hook: &'static str,
}

/// The notices, in the order in which they are shown (waste-rules.md section 12).
pub const NOTICES: &[Notice] = &[
    Notice {
        id: "no_determination",
        jurisdiction: "",
        text: "This is a decision aid, not a determination. Whoever generates the waste decides \
               whether it is hazardous, and stays responsible for that decision.",
        hook: "40 CFR 262.11",
    },
    Notice {
        id: "federal_only",
        jurisdiction: "US",
        text: "Only federal rules are used here. A State may be stricter: check the program of \
               your State.",
        hook: "42 U.S.C. 6929 (RCRA section 3009)",
    },
    Notice {
        id: "day_count",
        jurisdiction: "",
        text: "Dates are start date plus N days in the calendar of the site. The rules do not say \
               how days are counted: use the strict setting or ask your agency.",
        hook: "40 CFR 262, silent",
    },
    Notice {
        id: "versions",
        jurisdiction: "US",
        text: "Some limits changed on 2025-01-22 and 2025-12-01; the version in force on the day a \
               clock started is used. Values that are not confirmed are marked.",
        hook: "89 FR 60692",
    },
    Notice {
        id: "dust_and_codes",
        jurisdiction: "",
        text: "A dust that can burn or explode is dangerous whether or not a waste code says so. \
               Transport class and waste code are two decisions.",
        hook: "40 CFR 261.21, 261.23; inference from the text",
    },
    Notice {
        id: "far_facility",
        jurisdiction: "US",
        text: "The limit of 270 days needs a facility 200 miles or more away: record the facility \
               and the distance.",
        hook: "40 CFR 262.16(c)",
    },
    Notice {
        id: "no_filing",
        jurisdiction: "",
        text: "This record replaces no manifest, consignment note or transport document, and no \
               filing in the regulator's own system.",
        hook: "40 CFR 262.20; SI 2005/894; 2008/98/EC Art. 19",
    },
    Notice {
        id: "mirror_entries",
        jurisdiction: "EU",
        text: "An entry without an asterisk does not prove that waste is harmless. Mirror entries \
               need an assessment of the hazard properties, and the competent authority may decide \
               otherwise.",
        hook: "2008/98/EC Art. 7; 2000/532/EC annex",
    },
    Notice {
        id: "signature",
        jurisdiction: "",
        text: "A signature here says who stated what and when. It is no electronic signature in \
               the sense of waste law unless your procedure makes it one.",
        hook: "40 CFR 262.25",
    },
    Notice {
        id: "legal_hold",
        jurisdiction: "",
        text: "Records are not deleted while an enforcement matter is open.",
        hook: "40 CFR 262.40(d)",
    },
];

/// The notices for a site under `law`.
pub fn for_site<'a>(law: &'a super::law::Law<'_>) -> impl Iterator<Item = &'static Notice> + 'a {
    NOTICES.iter().filter(|n| n.jurisdiction.is_empty() || law.binds(n.jurisdiction))
}
