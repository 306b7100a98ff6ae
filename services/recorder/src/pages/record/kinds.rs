//! The kinds of work that have a guided form: what is asked, in which order, and where the answer
//! stands in the event. A new kind is one more row; page, composing and messages follow from it.

use shopfloor::ids::SubjectKind;

use crate::pages::words::Words;

/// What kind of answer a field takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Input {
    /// A label, typed or scanned; the list names what to suggest.
    Label(Suggest),
    /// One of these words. With `code`, words beyond the list are not offered.
    Word(&'static [&'static str]),
    /// One of these words, whose translations stand in this message table.
    Choice(&'static str, &'static [&'static str]),
    /// Any of these words, from this message table.
    Ticks(&'static str, &'static [&'static str]),
    /// Several labels: those suggested to tick, others to type or scan.
    Many(Suggest),
    /// A day.
    Day,
    /// A whole number.
    Count,
    /// Of a row: its number. Not asked.
    RowNumber,
    /// A file that stays with the shop: its digest.
    Digest,
    /// The person who is signed in. Not asked.
    Me,
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
    /// Printers.
    Printers,
    /// Blenders.
    Blenders,
    /// Meters of the machine.
    Meters,
    /// Planned tasks of the machine.
    Tasks,
    /// Waste streams that somebody determined.
    Streams,
    /// Where waste containers stand.
    Areas,
    /// Waste containers in the area the form is about.
    InArea,
    /// Closed waste containers on site.
    ToShip,
    /// Waste containers of the shipment.
    Shipped,
    /// People, by pseudonym.
    People,
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
    /// Under which heading it is offered, key of the message table `kind_group`.
    pub(crate) group: &'static str,
    /// What it is about is begun with it and gets a label of its own with this prefix.
    pub(crate) begins: Option<&'static str>,
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
const PART_KINDS: &[&str] = &[
    "sieve",
    "hepa_filter",
    "pre_filter",
    "gasket",
    "recoater",
    "oxygen_sensor",
    "window",
    "hose",
    "other",
];
const AREAS: &[&str] = &["satellite", "central"];
const DOCUMENTS: &[&str] =
    &["manifest", "consignment_note", "identification_document", "transport_document"];
/// Words that a label of a waste container may carry. Which ones it must carry, the rules of the site
/// say. Common practice, no source.
const LABEL_WORDS: &[&str] = &["hazardous_waste", "waste", "start_date", "generator", "contents"];
/// Hazards that a label may tell of. Common practice, no source.
const HAZARDS: &[&str] = &["combustible_dust", "flammable", "water_reactive", "toxic", "none"];
/// What was done at once. Common practice, no source.
const ACTIONS: &[&str] =
    &["area_left", "area_closed", "machine_stopped", "cleaned_up", "put_on_hold"];
/// What a waste can be kept apart for (a test holds them against
/// `shopfloor::waste::events::ReactivityGroup`).
const GROUPS: &[&str] = &[
    "alkali",
    "acid",
    "reactive_metal",
    "alcohol",
    "water",
    "water_reactive",
    "reactive_organic",
    "cyanide_or_sulfide",
    "oxidizer",
    "combustible",
];
/// What separates a container from others of its area.
const SEPARATIONS: &[&str] = &["distance", "dike", "berm", "wall", "other_device"];
const FRACTIONS: &[&str] = &["respirable", "inhalable"];
const AIR: &[Usual] = &[usual("mg/m3", "0", "100")];
const AREA: &[Usual] = &[usual("m2", "0.01", "10000")];
use Input::{
    Choice, Count, Day, Digest, Files, Label, Limit, Many, Me, Place, Quantity, Reading, RowNumber,
    Rows, Size, Ticks, Wearer, Word, YesNo,
};
use Suggest::{
    Areas, Blenders, Containers, Fitted, InArea, Locks, Lots, Meters, Nothing, People, Positions,
    Printers, Rooms, Scales, Shipped, Sieved, Streams, Targets, Tasks, ToShip, Vessels,
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
        group: "machines",
        begins: None,
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
        group: "machines",
        begins: None,
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
        group: "machines",
        begins: None,
        machines: &[],
        checks: &["seated_and_secured"],
        fields: &[PART_IN, PART_OUT, SHOWN],
        second: true,
    },
    Kind {
        id: "cleaning",
        event: "cleaning.done",
        about: SubjectKind::Equipment,
        group: "machines",
        begins: None,
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
        group: "machines",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[need("reading", Reading), may("evidence", Files)]],
        second: false,
    },
    Kind {
        id: "isolation",
        event: "equipment.isolated",
        about: SubjectKind::Equipment,
        group: "machines",
        begins: None,
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
        group: "machines",
        begins: None,
        machines: &[],
        checks: &["guards_closed", "nobody_inside", "function_tested"],
        fields: &[&[may("lock", Label(Locks))]],
        second: true,
    },
    Kind {
        id: "load",
        event: "powder.loaded",
        about: SubjectKind::Equipment,
        group: "powder",
        begins: None,
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
        group: "powder",
        begins: None,
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
        group: "machines",
        begins: None,
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
        group: "waste",
        begins: None,
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
            may("reactivity", Ticks("reactivity", GROUPS)),
            may("scale", Label(Scales)),
        ]],
        second: false,
    },
    Kind {
        id: "weighing",
        event: "container.weighed",
        about: SubjectKind::Container,
        group: "waste",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[need("gross", Quantity(KG)), need("scale", Label(Scales))]],
        second: false,
    },
    Kind {
        id: "closing",
        event: "container.closed",
        about: SubjectKind::Container,
        group: "waste",
        begins: None,
        machines: &[],
        checks: &["lid_tight", "label_complete"],
        fields: &[&[]],
        second: false,
    },
    Kind {
        id: "inspection",
        event: "inspection.done",
        about: SubjectKind::Equipment,
        group: "machines",
        begins: None,
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
        group: "machines",
        begins: None,
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
        group: "machines",
        begins: None,
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
        group: "people",
        begins: None,
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
    Kind {
        id: "part_fit",
        event: "part.fitted",
        about: SubjectKind::Equipment,
        group: "machines",
        begins: None,
        machines: &[],
        checks: &["seated_and_secured"],
        fields: &[
            PART_IN,
            &[
                may("in.spec.aperture", Quantity(APERTURES)),
                may("in.spec.filter_class", Label(Nothing)),
            ],
            SHOWN,
        ],
        second: true,
    },
    Kind {
        id: "part_remove",
        event: "part.removed",
        about: SubjectKind::Equipment,
        group: "machines",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[need("position", Label(Positions))], PART_OUT, SHOWN],
        second: true,
    },
    Kind {
        id: "part_stock",
        event: "part.received",
        about: SubjectKind::Site,
        group: "machines",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("part_kind", Choice("part_kind", PART_KINDS)),
            need("part.serial", Label(Nothing)),
            may("part.spec.aperture", Quantity(APERTURES)),
            may("part.spec.filter_class", Label(Nothing)),
            may("part.use_before", Day),
            may("bin", Label(Nothing)),
            may("evidence", Files),
        ]],
        second: false,
    },
    Kind {
        id: "meter_change",
        event: "meter.replaced",
        about: SubjectKind::Equipment,
        group: "machines",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("meter", Label(Meters)),
            need("last_old", Quantity(&["h", "1"])),
            need("first_new", Quantity(&["h", "1"])),
            need("reason", Choice("meter_reason", &["replaced", "reset", "damaged"])),
        ]],
        second: true,
    },
    Kind {
        id: "deferral",
        event: "task.deferred",
        about: SubjectKind::Equipment,
        group: "machines",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("task", Label(Tasks)),
            need(
                "reason",
                Choice("defer_reason", &["part_not_here", "machine_not_used", "people_missing"]),
            ),
            need("until_day", Day),
            need("approved_by", Me),
        ]],
        second: true,
    },
    Kind {
        id: "retirement",
        event: "equipment.retired",
        about: SubjectKind::Equipment,
        group: "machines",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[need("reason", Choice("retire_reason", &["worn_out", "sold", "replaced"]))]],
        second: false,
    },
    Kind {
        id: "lot_in",
        event: "lot.received",
        about: SubjectKind::Lot,
        group: "powder",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("material", Label(Nothing)),
            need("supplier", Label(Nothing)),
            need("supplier_lot", Label(Nothing)),
            need(
                "containers",
                Rows(
                    6,
                    &[
                        need("id", Label(Nothing)),
                        need("gross", Quantity(KG)),
                        need("tare", Quantity(KG)),
                    ],
                ),
            ),
            need("seals_whole", YesNo),
            may("certificate.number", Label(Nothing)),
            may("certificate.digest", Digest),
            may("expires", Day),
            may("scale", Label(Scales)),
        ]],
        second: false,
    },
    Kind {
        id: "lot_test",
        event: "lot.tested",
        about: SubjectKind::Lot,
        group: "powder",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need(
                "test",
                Choice("test", &["moisture", "flow", "particle_size", "oxygen", "visual"]),
            ),
            need("measured", Quantity(&["%", "[ppm]", "s", "um", "g", "1"])),
            need("limit", Limit),
            need("result", Word(OUTCOMES)),
            may("instrument", Label(Nothing)),
        ]],
        second: false,
    },
    Kind {
        id: "lot_release",
        event: "lot.released",
        about: SubjectKind::Lot,
        group: "powder",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[need("meaning", Choice("meaning", &["released"]))]],
        second: true,
    },
    Kind {
        id: "blend",
        event: "powder.blended",
        about: SubjectKind::Lot,
        group: "powder",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("into", Place(Vessels)),
            need(
                "components",
                Rows(
                    6,
                    &[
                        need("from", Place(Lots)),
                        need("mass", Quantity(KG)),
                        need("order", RowNumber),
                    ],
                ),
            ),
            need("blender", Label(Blenders)),
            need("duration", Quantity(&["min", "h"])),
            may("recipe", Label(Nothing)),
            may("scale", Label(Scales)),
        ]],
        second: false,
    },
    Kind {
        id: "transfer",
        event: "powder.moved",
        about: SubjectKind::Lot,
        group: "powder",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("from", Place(Vessels)),
            need("into", Place(Vessels)),
            need("mass", Quantity(KG)),
            may("scale", Label(Scales)),
        ]],
        second: false,
    },
    Kind {
        id: "build_start",
        event: "build.started",
        about: SubjectKind::Build,
        group: "powder",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("printer", Label(Printers)),
            need("hopper", Place(Vessels)),
            may("recipe", Label(Nothing)),
        ]],
        second: false,
    },
    Kind {
        id: "build_end",
        event: "build.finished",
        about: SubjectKind::Build,
        group: "powder",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("mass_used", Quantity(KG)),
            need("parts_mass", Quantity(KG)),
            need("hours_at_temperature", Quantity(&["h", "min"])),
            may("parts", Count),
            may("scale", Label(Scales)),
        ]],
        second: false,
    },
    Kind {
        id: "recovery",
        event: "powder.recovered",
        about: SubjectKind::Build,
        group: "powder",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("into", Place(Vessels)),
            need("mass", Quantity(KG)),
            may("scale", Label(Scales)),
        ]],
        second: false,
    },
    Kind {
        id: "count",
        event: "stock.counted",
        about: SubjectKind::Site,
        group: "powder",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("place", Place(Vessels)),
            need("mass", Quantity(KG)),
            may("scale", Label(Scales)),
        ]],
        second: false,
    },
    Kind {
        id: "stream",
        event: "stream.determined",
        about: SubjectKind::Stream,
        group: "waste",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("material", Label(Nothing)),
            need("description", Label(Nothing)),
            need(
                "determination",
                Choice("determination", &["hazardous", "acute_hazardous", "non_hazardous"]),
            ),
            may("codes.list_of_waste", Label(Nothing)),
            may("codes.rcra", Many(Nothing)),
            may("codes.hp", Many(Nothing)),
            need("basis", Choice("basis", &["knowledge", "test", "safety_data_sheet"])),
            may("reactivity", Ticks("reactivity", GROUPS)),
            need("jurisdiction", Label(Nothing)),
            may("document", Digest),
            need("decided_by", Me),
        ]],
        second: true,
    },
    Kind {
        id: "container_start",
        event: "container.opened",
        about: SubjectKind::Container,
        group: "waste",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("stream", Label(Streams)),
            need("tare", Quantity(KG)),
            need("area", Choice("area", AREAS)),
            need("location", Label(Areas)),
            may("separated_by", Choice("separation", SEPARATIONS)),
            may("container_type", Label(Nothing)),
        ]],
        second: false,
    },
    Kind {
        id: "marking",
        event: "container.labelled",
        about: SubjectKind::Container,
        group: "waste",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("words", Ticks("label_word", LABEL_WORDS)),
            need("hazards", Ticks("hazard", HAZARDS)),
            may("start", Day),
        ]],
        second: false,
    },
    Kind {
        id: "container_move",
        event: "container.moved",
        about: SubjectKind::Container,
        group: "waste",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("from.area", Choice("area", AREAS)),
            need("from.location", Label(Areas)),
            need("to.area", Choice("area", AREAS)),
            need("to.location", Label(Areas)),
            may("separated_by", Choice("separation", SEPARATIONS)),
            need("giver", Label(People)),
            need("receiver", Label(People)),
        ]],
        second: true,
    },
    Kind {
        id: "area_inspection",
        event: "area.inspected",
        about: SubjectKind::Area,
        group: "waste",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("area", Choice("area", AREAS)),
            need("containers", Many(InArea)),
            need("leaks", YesNo),
            need("closed", YesNo),
            need("labels_readable", YesNo),
            need("result", Word(OUTCOMES)),
        ]],
        second: false,
    },
    Kind {
        id: "extension",
        event: "accumulation.extended",
        about: SubjectKind::Container,
        group: "waste",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("days", Count),
            need("granted_by", Label(Nothing)),
            need("reference", Label(Nothing)),
        ]],
        second: false,
    },
    Kind {
        id: "shipment_offer",
        event: "shipment.offered",
        about: SubjectKind::Shipment,
        group: "shipments",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("document.kind", Choice("document", DOCUMENTS)),
            need("document.number", Label(Nothing)),
            need("containers", Many(ToShip)),
            need("transporter", Label(Nothing)),
            need("facility", Label(Nothing)),
            may("distance", Quantity(&["km", "[mi_i]"])),
            need("offered_by", Me),
        ]],
        second: true,
    },
    Kind {
        id: "shipment_accept",
        event: "shipment.accepted",
        about: SubjectKind::Shipment,
        group: "shipments",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[need("transporter", Label(Nothing)), need("leg", Count), need("day", Day)]],
        second: true,
    },
    Kind {
        id: "shipment_receipt",
        event: "shipment.delivered",
        about: SubjectKind::Shipment,
        group: "shipments",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("facility", Label(Nothing)),
            need(
                "received",
                Rows(8, &[need("container", Label(Shipped)), need("mass", Quantity(KG))]),
            ),
            need("pieces", Count),
            need("day", Day),
            may("signed_copy", Digest),
        ]],
        second: false,
    },
    Kind {
        id: "shipment_refusal",
        event: "shipment.rejected",
        about: SubjectKind::Shipment,
        group: "shipments",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("containers", Many(Shipped)),
            need(
                "reason",
                Choice("refuse_reason", &["not_as_described", "damaged", "no_capacity"]),
            ),
            need("course", Choice("course", &["returned", "forwarded"])),
            may("facility", Label(Nothing)),
            need("day", Day),
        ]],
        second: false,
    },
    Kind {
        id: "copy_query",
        event: "shipment.queried",
        about: SubjectKind::Shipment,
        group: "shipments",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("asked", Label(Nothing)),
            need("answer", Choice("query_answer", &["on_its_way", "not_received", "no_answer"])),
        ]],
        second: false,
    },
    Kind {
        id: "discrepancy",
        event: "discrepancy.found",
        about: SubjectKind::Shipment,
        group: "shipments",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("kind", Choice("discrepancy", &["quantity", "pieces", "type", "residue"])),
            may("container", Label(Shipped)),
            need("expected", Quantity(&["kg", "g", "1"])),
            need("found", Quantity(&["kg", "g", "1"])),
        ]],
        second: false,
    },
    Kind {
        id: "settlement",
        event: "discrepancy.settled",
        about: SubjectKind::Shipment,
        group: "shipments",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("entry", Count),
            need(
                "how",
                Choice("settle_how", &["weighed_again", "paper_corrected", "container_found"]),
            ),
            need("with", Label(Nothing)),
        ]],
        second: false,
    },
    Kind {
        id: "exception",
        event: "exception.reported",
        about: SubjectKind::Shipment,
        group: "shipments",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[need("to", Label(Nothing)), may("reference", Label(Nothing))]],
        second: false,
    },
    Kind {
        id: "certificate",
        event: "disposal.certified",
        about: SubjectKind::Shipment,
        group: "shipments",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("certificate", Label(Nothing)),
            need("method", Label(Nothing)),
            need("mass", Quantity(KG)),
            may("document", Digest),
        ]],
        second: false,
    },
    Kind {
        id: "incident",
        event: "incident.reported",
        about: SubjectKind::Incident,
        group: "people",
        begins: Some("IN"),
        machines: &[],
        checks: &[],
        fields: &[&[
            need("kind", Choice("incident", &["spill", "ignition", "exposure"])),
            need("room", Label(Rooms)),
            need("somebody_hurt", YesNo),
            may("ignition_sources_off", YesNo),
            may("from", Place(Vessels)),
            may("mass", Quantity(KG)),
            may("immediate_action", Choice("immediate_action", ACTIONS)),
        ]],
        second: false,
    },
    Kind {
        id: "deviation",
        event: "deviation.opened",
        about: SubjectKind::Deviation,
        group: "people",
        begins: Some("DV"),
        machines: &[],
        checks: &[],
        fields: &[&[
            need("about", Many(Nothing)),
            need(
                "what",
                Choice(
                    "deviation_what",
                    &["limit_missed", "step_left_out", "wrong_material", "record_wrong"],
                ),
            ),
            need("severity", Choice("severity", &["minor", "major", "critical"])),
            may("immediate_action", Choice("immediate_action", ACTIONS)),
        ]],
        second: false,
    },
    Kind {
        id: "deviation_end",
        event: "deviation.closed",
        about: SubjectKind::Deviation,
        group: "people",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need(
                "cause",
                Choice(
                    "cause",
                    &["wear", "material", "method", "training", "mistake", "not_found"],
                ),
            ),
            need("approved_by", Me),
        ]],
        second: true,
    },
    Kind {
        id: "action",
        event: "action.opened",
        about: SubjectKind::Action,
        group: "people",
        begins: Some("AC"),
        machines: &[],
        checks: &[],
        fields: &[&[
            may("deviation", Label(Nothing)),
            need(
                "what",
                Choice(
                    "action_what",
                    &["plan_changed", "part_changed", "people_trained", "instruction_changed"],
                ),
            ),
            need("owner", Label(People)),
            need("due", Day),
        ]],
        second: false,
    },
    Kind {
        id: "action_check",
        event: "action.checked",
        about: SubjectKind::Action,
        group: "people",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[need("effective", YesNo), may("evidence", Files)]],
        second: false,
    },
    Kind {
        id: "authorisation",
        event: "authorisation.granted",
        about: SubjectKind::Person,
        group: "people",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[need("task", Label(Nothing)), need("valid_to", Day), may("evidence", Digest)]],
        second: true,
    },
    Kind {
        id: "authorisation_end",
        event: "authorisation.withdrawn",
        about: SubjectKind::Person,
        group: "people",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("task", Label(Nothing)),
            need("reason", Choice("withdraw_reason", &["other_work", "not_trained", "left"])),
        ]],
        second: false,
    },
    Kind {
        id: "fit_test",
        event: "fit_test.done",
        about: SubjectKind::Person,
        group: "people",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[
            need("model", Label(Nothing)),
            need("size", Label(Nothing)),
            need("method", Choice("fit_method", &["qualitative", "quantitative"])),
            may("fit_factor", Quantity(&["1"])),
            need("result", Word(OUTCOMES)),
            may("valid_to", Day),
        ]],
        second: false,
    },
    Kind {
        id: "training",
        event: "training.done",
        about: SubjectKind::Person,
        group: "people",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[need("topic", Label(Nothing)), may("valid_to", Day), may("evidence", Digest)]],
        second: false,
    },
    Kind {
        id: "leaving",
        event: "person.left",
        about: SubjectKind::Person,
        group: "people",
        begins: None,
        machines: &[],
        checks: &[],
        fields: &[&[need("last_day", Day)]],
        second: false,
    },
];

/// The kind with this name.
pub(crate) fn kind(id: &str) -> Option<&'static Kind> {
    KINDS.iter().find(|kind| kind.id == id)
}

/// What a question is called: by its kind of work if that has words of its own, else by its path.
/// `name` is the path, of a column with the path of its rows before it.
pub(super) fn label(words: &'static Words, kind: &Kind, name: &str) -> &'static str {
    let name = name.replace('.', "_");
    let own = words.t(&format!("field.{}.{name}", kind.id));
    if own == "?" { words.t(&format!("field.{name}")) } else { own }
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
    use shopfloor::waste::events::{ReactivityGroup, Separation};

    use super::*;

    #[test]
    fn every_kind_is_in_the_catalogue_and_has_its_words() {
        for kind in KINDS {
            let row = kind.catalogue().unwrap_or_else(|| panic!("{}", kind.event));
            assert!(row.subjects.contains(&kind.about), "{}", kind.id);
            let words = Words::english();
            for table in ["kind", "kind_about"] {
                assert_ne!(words.t(&format!("{table}.{}", kind.id)), "?", "{}", kind.id);
            }
            assert_ne!(words.t(&format!("kind_group.{}", kind.group)), "?", "{}", kind.group);
            let about = format!("form.about_{}", kind.about.as_str());
            assert_ne!(words.t(&about), "?", "{about}");
            for check in kind.checks {
                assert_ne!(words.t(&format!("check.{check}")), "?", "{check}");
            }
            for field in kind.fields() {
                if field.input == Input::Me {
                    continue;
                }
                assert_ne!(label(words, kind, field.path), "?", "{}: {}", kind.id, field.path);
                match field.input {
                    Input::Choice(table, codes) | Input::Ticks(table, codes) => {
                        for code in codes {
                            assert_ne!(words.t(&format!("{table}.{code}")), "?", "{table}.{code}");
                        }
                    }
                    Input::Rows(_, columns) => {
                        for column in columns.iter().filter(|c| c.input != Input::RowNumber) {
                            let name = format!("{}.{}", field.path, column.path);
                            assert_ne!(label(words, kind, &name), "?", "{}: {name}", kind.id);
                        }
                    }
                    _ => {}
                }
            }
        }
    }

    #[test]
    fn what_is_kept_apart_is_asked_in_the_words_of_the_record() {
        let groups: Vec<&str> = ReactivityGroup::ALL.iter().map(|g| g.as_str()).collect();
        let separations: Vec<&str> = Separation::ALL.iter().map(|s| s.as_str()).collect();
        assert_eq!((GROUPS, SEPARATIONS), (&groups[..], &separations[..]));
    }

    /// Whatever people record by hand has a form, or another page, or a stated reason.
    #[test]
    fn nothing_that_people_do_lacks_a_form() {
        const ELSEWHERE: &[(&str, &str)] = &[
            ("handover.given", "page of its own"),
            ("handover.accepted", "page of its own"),
            ("signing_policy.acknowledged", "page of its own"),
            ("lot.held", "page of what something bad reached"),
            ("lot.disposed_of", "page of what something bad reached"),
            ("entry.signed", "second signature of every form"),
            ("equipment.registered", "set up once, with meters and positions: API"),
            ("plan.set", "set up once, from the starter plan: API"),
            ("recipe.set", "set up once: API"),
            ("config.changed", "set up once: API"),
            ("person.enrolled", "an identity is deposited with it: API"),
            ("note.added", "words are deposited first: API"),
            ("entry.corrected", "carries the whole content of the entry: API"),
            ("entry.voided", "a decision about an entry: API"),
            ("key.enrolled", "made by whoever runs the log: API"),
            ("key.revoked", "made by whoever runs the log: API"),
        ];
        let by_people = shopfloor::catalogue::CATALOGUE.iter().filter(|row| !row.roles.is_empty());
        for row in by_people {
            let form = KINDS.iter().any(|kind| kind.event == row.name);
            let elsewhere = ELSEWHERE.iter().any(|(event, _)| *event == row.name);
            assert!(form != elsewhere, "{}", row.name);
        }
    }
}
