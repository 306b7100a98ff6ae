//! The kinds of work that have a guided form: what is asked, in which order, and where the answer
//! stands in the event. A new kind is one more row; page, composing and messages follow from it.

use shopfloor::ids::SubjectKind;

/// What kind of answer a field takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Input {
    /// A label, typed or scanned; the list names what to suggest.
    Label(Suggest),
    /// One of these words. With `code`, words beyond the list are not offered.
    Word(&'static [&'static str]),
    /// A number with one of these units (UCUM), the first by default.
    Quantity(&'static [&'static str]),
    /// A number that is more than nothing, with one of these units, the first by default. What lies
    /// outside the usual is told while it is typed, and taken all the same.
    Size(&'static [Usual]),
    /// Up to so many rows of the same questions, each row answered whole or left empty.
    Rows(usize, &'static [Field]),
    /// The person who wore the sampler: then the event is about the person, not the site.
    Wearer,
    /// A meter reading: which meter, and what it showed.
    Reading,
    /// A limit: at most or at least so much, in the unit of the field before.
    Limit,
    /// Yes or no, to be answered.
    YesNo,
    /// A place `kind/label`.
    Place(Suggest),
    /// Photos and other files that stay with the shop: their digests.
    Files,
}

/// What is usual for a number in a unit. Common practice, no source: wide enough that only a slip of
/// the unit or the point falls out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Usual {
    /// UCUM code.
    pub(crate) unit: &'static str,
    /// Decimal digits.
    pub(crate) least: &'static str,
    /// Decimal digits.
    pub(crate) most: &'static str,
}

const fn usual(unit: &'static str, least: &'static str, most: &'static str) -> Usual {
    Usual { unit, least, most }
}

/// What a field suggests.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Suggest {
    /// Nothing: the label is new.
    Nothing,
    /// Positions of the machine.
    Positions,
    /// Targets of the machine's plan, and its positions.
    Targets,
    /// Serial of the part in the chosen position.
    Fitted,
    /// Spare parts and serials are typed from the part.
    Scales,
    /// Open waste containers.
    Containers,
    /// Containers of lots that hold powder.
    Lots,
    /// Hoppers and bins.
    Vessels,
    /// Where sieved powder and oversize go.
    Sieved,
    /// Locks that are on the machine.
    Locks,
    /// Rooms that machines stand in.
    Rooms,
}

/// One question of a form.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Field {
    /// Where the answer stands in `data`, members divided by points.
    pub(crate) path: &'static str,
    pub(crate) input: Input,
    pub(crate) need: bool,
}

/// A kind of work.
#[derive(Debug)]
pub(crate) struct Kind {
    /// Its name in addresses and in the message table `kind`.
    pub(crate) id: &'static str,
    /// The event it becomes.
    pub(crate) event: &'static str,
    /// What it is about.
    pub(crate) about: SubjectKind,
    /// What kinds of machine are suggested; empty: all.
    pub(crate) machines: &'static [&'static str],
    /// Yes-or-no steps, asked one by one before anything else.
    pub(crate) checks: &'static [&'static str],
    /// Groups of questions, one after the other: kinds share some of them.
    pub(crate) fields: &'static [&'static [Field]],
    /// Whether a second person signs (common practice, no source).
    pub(crate) second: bool,
}

const fn need(path: &'static str, input: Input) -> Field {
    Field { path, input, need: true }
}
const fn may(path: &'static str, input: Input) -> Field {
    Field { path, input, need: false }
}

const KG: &[&str] = &["kg", "g"];
const APERTURES: &[&str] = &["um", "mm"];
const CONDITIONS: &[&str] = &["worn", "sound", "failed"];
const REASONS: &[&str] =
    &["interval_reached", "torn", "blinded", "loaded", "damaged", "material_change"];
const OUTCOMES: &[&str] = &["pass", "fail"];
const FRACTIONS: &[&str] = &["respirable", "inhalable"];
const AIR: &[Usual] = &[usual("mg/m3", "0", "100")];
const AREA: &[Usual] = &[usual("m2", "0.01", "10000")];
use Input::{Files, Label, Limit, Place, Quantity, Reading, Rows, Size, Wearer, Word, YesNo};
use Suggest::{
    Containers, Fitted, Locks, Lots, Nothing, Positions, Rooms, Scales, Sieved, Targets, Vessels,
};

/// The part that goes in.
const PART_IN: &[Field] = &[need("position", Label(Positions)), need("in.serial", Label(Nothing))];
/// The part that came out, and where it went.
const PART_OUT: &[Field] = &[
    need("out.serial", Label(Fitted)),
    need("out.condition", Word(CONDITIONS)),
    need("out.reason", Word(REASONS)),
    may("out.mass", Quantity(KG)),
    may("out.container", Label(Containers)),
];
/// What the meter showed, and photos.
const SHOWN: &[Field] = &[may("reading", Reading), may("evidence", Files)];

/// Every kind, in the order in which they are offered.
pub(crate) const KINDS: &[Kind] = &[
    Kind {
        id: "sieve_change",
        event: "part.swapped",
        about: SubjectKind::Equipment,
        machines: &["sieving_station"],
        checks: &["area_vacuumed_first", "mesh_whole", "seal_seated"],
        fields: &[
            PART_IN,
            &[
                need("in.spec.aperture", Quantity(APERTURES)),
                may("in.spec.spec_id", Label(Nothing)),
            ],
            PART_OUT,
            SHOWN,
        ],
        second: true,
    },
    Kind {
        id: "filter_change",
        event: "part.swapped",
        about: SubjectKind::Equipment,
        machines: &[],
        checks: &[
            "area_vacuumed_first",
            "airflow_arrow_matches",
            "gasket_seated",
            "used_filter_bagged",
        ],
        fields: &[PART_IN, &[need("in.spec.filter_class", Label(Nothing))], PART_OUT, SHOWN],
        second: true,
    },
    Kind {
        id: "part_change",
        event: "part.swapped",
        about: SubjectKind::Equipment,
        machines: &[],
        checks: &["seated_and_secured"],
        fields: &[PART_IN, PART_OUT, SHOWN],
        second: true,
    },
    Kind {
        id: "cleaning",
        event: "cleaning.done",
        about: SubjectKind::Equipment,
        machines: &[],
        checks: &["nothing_blown_down", "surfaces_clean"],
        fields: &[
            &[
                need("target", Label(Targets)),
                need("method", Word(&["vacuum", "brush", "wipe", "other"])),
                may("residue.mass", Quantity(KG)),
                may("residue.into", Place(Vessels)),
                may("residue.scale", Label(Scales)),
            ],
            SHOWN,
        ],
        second: false,
    },
    Kind {
        id: "meter",
        event: "meter.read",
        about: SubjectKind::Equipment,
        machines: &[],
        checks: &[],
        fields: &[&[need("reading", Reading), may("evidence", Files)]],
        second: false,
    },
    Kind {
        id: "isolation",
        event: "equipment.isolated",
        about: SubjectKind::Equipment,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("lock", Label(Nothing)),
            need("energy_checked", YesNo),
            may("permit", Label(Nothing)),
        ]],
        second: false,
    },
    Kind {
        id: "return",
        event: "equipment.returned",
        about: SubjectKind::Equipment,
        machines: &[],
        checks: &["guards_closed", "nobody_inside", "function_tested"],
        fields: &[&[may("lock", Label(Locks))]],
        second: true,
    },
    Kind {
        id: "load",
        event: "powder.loaded",
        about: SubjectKind::Equipment,
        machines: &["printer"],
        checks: &["seal_removed_whole", "area_vacuumed_first", "bonded", "mask_worn"],
        fields: &[&[
            need("from", Place(Lots)),
            need("into", Place(Vessels)),
            need("mass", Quantity(KG)),
            may("scale", Label(Scales)),
        ]],
        second: false,
    },
    Kind {
        id: "sieving",
        event: "powder.sieved",
        about: SubjectKind::Equipment,
        machines: &["sieving_station"],
        checks: &[],
        fields: &[&[
            need("sieve", Label(Fitted)),
            need("aperture", Quantity(APERTURES)),
            need("from", Place(Vessels)),
            need("through.mass", Quantity(KG)),
            need("through.into", Place(Sieved)),
            need("oversize.mass", Quantity(KG)),
            need("oversize.into", Place(Sieved)),
            need("duration", Quantity(&["min", "h"])),
            may("scale", Label(Scales)),
        ]],
        second: false,
    },
    Kind {
        id: "bag",
        event: "bag.changed",
        about: SubjectKind::Equipment,
        machines: &["vacuum"],
        checks: &[],
        fields: &[&[
            need("off_and_unplugged", YesNo),
            need("bag.tied_before_lifting", YesNo),
            need("bag.id", Label(Nothing)),
            need("bag.gross", Quantity(KG)),
            need("bag.tare", Quantity(KG)),
            may("into", Label(Containers)),
            may("new_bag", Label(Nothing)),
            may("scale", Label(Scales)),
        ]],
        second: false,
    },
    Kind {
        id: "waste",
        event: "waste.added",
        about: SubjectKind::Container,
        machines: &[],
        checks: &["earthed", "mask_worn", "container_closed_after"],
        fields: &[&[
            need(
                "what",
                Word(&[
                    "vacuum_bag",
                    "filter",
                    "sieve",
                    "wipes",
                    "sweepings",
                    "oversize",
                    "powder",
                    "used_part",
                ]),
            ),
            need("mass", Quantity(KG)),
            may("from", Place(Vessels)),
            may("item", Label(Nothing)),
            may("scale", Label(Scales)),
        ]],
        second: false,
    },
    Kind {
        id: "weighing",
        event: "container.weighed",
        about: SubjectKind::Container,
        machines: &[],
        checks: &[],
        fields: &[&[need("gross", Quantity(KG)), need("scale", Label(Scales))]],
        second: false,
    },
    Kind {
        id: "closing",
        event: "container.closed",
        about: SubjectKind::Container,
        machines: &[],
        checks: &["lid_tight", "label_complete"],
        fields: &[&[]],
        second: false,
    },
    Kind {
        id: "inspection",
        event: "inspection.done",
        about: SubjectKind::Equipment,
        machines: &[],
        checks: &[],
        fields: &[
            &[
                need("target", Label(Targets)),
                need("result", Word(OUTCOMES)),
                may("serial", Label(Fitted)),
            ],
            SHOWN,
        ],
        second: false,
    },
    Kind {
        id: "check",
        event: "check.done",
        about: SubjectKind::Equipment,
        machines: &[],
        checks: &[],
        fields: &[&[
            need(
                "check",
                Word(&[
                    "earthing",
                    "scale",
                    "leak",
                    "pressure_drop",
                    "dust_layer",
                    "airflow",
                    "oxygen",
                    "other",
                ]),
            ),
            may("target", Label(Targets)),
            need(
                "measured",
                Quantity(&[
                    "Ohm", "kOhm", "MOhm", "Pa", "kPa", "m3/h", "%", "[ppm]", "kg", "g", "mm", "1",
                ]),
            ),
            need("limit", Limit),
            need("result", Word(OUTCOMES)),
            may("reference", Quantity(KG)),
            may("instrument", Label(Nothing)),
            may("evidence", Files),
        ]],
        second: false,
    },
    Kind {
        id: "dust_survey",
        event: "dust.surveyed",
        about: SubjectKind::Site,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("room", Label(Rooms)),
            need("footprint", Size(AREA)),
            need("height", Size(&[usual("m", "1.5", "25")])),
            need(
                "bulk_density",
                Size(&[usual("kg/m3", "50", "8000"), usual("g/cm3", "0.05", "8")]),
            ),
            may(
                "layers",
                Rows(
                    6,
                    &[
                        need(
                            "depth",
                            Size(&[usual("mm", "0.01", "50"), usual("um", "10", "50000")]),
                        ),
                        need("area", Size(AREA)),
                    ],
                ),
            ),
            may("evidence", Files),
        ]],
        second: false,
    },
    Kind {
        id: "exposure",
        event: "exposure.measured",
        about: SubjectKind::Site,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("room", Label(Rooms)),
            may("worn_by", Wearer),
            need("fraction", Word(FRACTIONS)),
            need(
                "samples",
                Rows(
                    6,
                    &[
                        need("concentration", Size(AIR)),
                        need(
                            "duration",
                            Size(&[usual("min", "1", "720"), usual("h", "0.1", "12")]),
                        ),
                        need("assumed", YesNo),
                    ],
                ),
            ),
            may(
                "limits",
                Rows(
                    2,
                    &[
                        need("limit", Size(AIR)),
                        need("fraction", Word(FRACTIONS)),
                        need("source", Label(Nothing)),
                    ],
                ),
            ),
            may("density", Size(&[usual("g/cm3", "0.5", "20"), usual("kg/m3", "500", "20000")])),
            may("evidence", Files),
        ]],
        second: false,
    },
];

/// The kind with this name.
pub(crate) fn kind(id: &str) -> Option<&'static Kind> {
    KINDS.iter().find(|kind| kind.id == id)
}

impl Kind {
    /// Every question, in order.
    pub(crate) fn fields(&self) -> impl Iterator<Item = &'static Field> {
        self.fields.iter().copied().flatten()
    }

    /// The row of the catalogue: cautions and roles.
    pub(crate) fn catalogue(&self) -> Option<&'static shopfloor::catalogue::EventKind> {
        shopfloor::catalogue::kind_of(self.event)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pages::words::Words;

    #[test]
    fn every_kind_is_in_the_catalogue_and_has_its_words() {
        for kind in KINDS {
            let row = kind.catalogue().unwrap_or_else(|| panic!("{}", kind.event));
            assert!(row.subjects.contains(&kind.about), "{}", kind.id);
            let words = Words::english();
            assert_ne!(words.t(&format!("kind.{}", kind.id)), "?", "{}", kind.id);
            for check in kind.checks {
                assert_ne!(words.t(&format!("check.{check}")), "?", "{check}");
            }
            for field in kind.fields() {
                let key = field.path.replace('.', "_");
                assert_ne!(words.t(&format!("field.{key}")), "?", "{}: {key}", kind.id);
                let Input::Rows(_, columns) = field.input else { continue };
                for column in columns {
                    let key = format!("{key}_{}", column.path);
                    assert_ne!(words.t(&format!("field.{key}")), "?", "{}: {key}", kind.id);
                }
            }
        }
    }
}
