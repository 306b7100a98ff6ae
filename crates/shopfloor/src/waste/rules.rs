//! Rules about waste, each with its source. What breaks them is told, never refused.

use crate::finding::{Confidence, Level, Rule};

pub(crate) use super::judge::judge;

macro_rules! rules {
    ($($name:ident = $id:literal, $level:ident, $title:literal, $source:literal, $confidence:ident;)+) => {
        $(pub(super) const $name: Rule = Rule {
            id: $id, level: Level::$level, title: $title, source: $source,
            confidence: Confidence::$confidence,
        };)+
        /// Every rule of this subject.
        pub const RULES: &[Rule] = &[$($name),+];
    };
}

rules! {
    // Streams.
    UNKNOWN_STREAM = "waste.unknown_stream", Stop,
        "A container takes a stream that a person determined",
        "40 CFR 262.11", Secondary;
    CODE_FORM = "waste.code_form", Warn,
        "A waste code is an entry of its list, asterisk included",
        "2000/532/EC, list entries; EPA form 8700-22 item 13", Seen;
    CODE_UNUSUAL = "waste.code_not_in_table", Note,
        "A code that is not carried here is looked up in the full list",
        "2000/532/EC", Definition;
    TOO_MANY_CODES = "waste.too_many_codes", Warn,
        "A line of the manifest takes at most six waste codes",
        "EPA form 8700-22 (edition 12-17), item 13", Seen;
    CODES_CONTRADICT = "waste.codes_contradict", Warn,
        "Codes, hazard properties and determination agree",
        "2000/532/EC annex, mirror entries; 40 CFR 261.31, 261.33(e)", Secondary;
    JURISDICTION = "waste.jurisdiction_differs", Note,
        "A stream is determined under the rules of its site",
        "definition: site configuration", Definition;

    // Containers.
    UNKNOWN_CONTAINER = "waste.unknown_container", Stop,
        "Waste goes into a container that was started with stream, tare and place",
        "40 CFR 262.17(a)(5)(i); common practice", Secondary;
    OPENED_TWICE = "waste.container_opened_twice", Stop,
        "A container label is used once",
        "definition: one label, one container", Definition;
    TARE_MISSING = "waste.tare_missing", Stop,
        "The mass of the empty container or bag is known",
        "common practice, no source", CommonPractice;
    MASS_NOT_POSITIVE = "waste.mass_not_positive", Stop,
        "A mass of waste is greater than zero",
        "definition", Definition;
    WRONG_STREAM = "waste.wrong_stream", Stop,
        "A container takes waste of its own stream only",
        "2008/98/EC Art. 18, mixing", Seen;
    INCOMPATIBLE_TOGETHER = "waste.incompatible_together", Stop,
        "Incompatible wastes do not go into one container",
        "40 CFR 264.177(a), 265.177(a); pairs: 264 Appendix V", Secondary;
    INCOMPATIBLE_BESIDE = "waste.incompatible_beside", Stop,
        "Containers of incompatible waste stand apart, or a dike, berm, wall or other device is between them",
        "40 CFR 264.177(c), 265.177(c); pairs: 264 Appendix V", Secondary;
    INCOMPATIBLE_STANDING = "waste.incompatible_standing", Warn,
        "What a determination makes incompatible is taken apart where it stands together",
        "40 CFR 264.177(c), 265.177(c); pairs: 264 Appendix V", Secondary;
    ADDED_TO_CLOSED = "waste.added_to_closed", Stop,
        "Nothing is added to a container that was closed for good",
        "40 CFR 262.16(b)(2)(iii), closed except when adding", Seen;
    AFTER_SHIPPED = "waste.after_shipped", Stop,
        "Nothing is done on site with a container that left it",
        "definition: continuity of custody", Definition;
    ITEM_TWICE = "waste.item_in_two_containers", Stop,
        "Each bag, filter or sieve goes into exactly one container, once",
        "definition: each bag in one container", Definition;
    SUM_AND_WEIGHING = "waste.sum_and_weighing_differ", Warn,
        "What was put in adds up to gross minus tare, within the uncertainty of weighing",
        "definition: sum of nets against gross minus tare", Definition;
    MARKING = "waste.marking_incomplete", Warn,
        "A container of hazardous waste shows the words, the hazards and, in a central area, the start date",
        "40 CFR 262.15(a)(5), 262.16(b)(6)(i), 262.17(a)(5)(i)", Secondary;
    MARKED_DATE = "waste.marked_date_differs", Warn,
        "The date on a container is the day its accumulation began",
        "40 CFR 262.16(b)(6)(i)(C), 262.17(a)(5)(i)(C)", Secondary;
    VACUUM_ON = "waste.vacuum_on", Stop,
        "The vacuum cleaner is off and unplugged while its bag is changed",
        "29 CFR 1910.147", Memory;
    BAG_NOT_TIED = "waste.bag_not_tied", Stop,
        "A bag is tied before it is lifted out",
        "common practice, no source", CommonPractice;

    // Areas and time.
    INSPECTION_FAILED = "waste.inspection_failed", Warn,
        "Containers in an accumulation area are sound, closed and legible",
        "40 CFR 262.16(b)(2)(iv)", Secondary;
    INSPECTION_GAP = "waste.inspection_gap", Warn,
        "A central area is inspected at least weekly",
        "40 CFR 262.16(b)(2)(iv), 262.17(a)(1)(v)", Secondary;
    INSPECTION_LIST = "waste.inspection_list_differs", Note,
        "An inspection sees the containers that the record says stand there",
        "definition: last place told", Definition;
    ACCUMULATED_TOO_LONG = "waste.accumulated_too_long", Warn,
        "A container leaves within the accumulation time",
        "40 CFR 262.16(b), 262.17(a); rule set of the site", Secondary;
    EXTENSION_TOO_LONG = "waste.extension_too_long", Stop,
        "An extension of the accumulation time is at most 30 days",
        "40 CFR 262.16(d), 262.17(b)", Secondary;

    // Custody.
    CUSTODY_GAP = "waste.custody_gap", Stop,
        "Whoever gives a container is its holder",
        "definition: continuity of custody", Definition;
    GIVER_IS_RECEIVER = "waste.giver_is_receiver", Stop,
        "A container passes between two different people",
        "definition: continuity of custody", Definition;
    MOVED_FROM_ELSEWHERE = "waste.moved_from_elsewhere", Warn,
        "A container is moved from where it stands",
        "definition: last place told", Definition;
    MOVED_TO_SATELLITE = "waste.moved_to_satellite", Warn,
        "A container goes from a satellite area to a central one, not to another satellite area",
        "RCRA Online 14703", Seen;
    OFFERED_BY_OTHER = "waste.offered_by_other", Warn,
        "Whoever offers a shipment holds its containers",
        "definition: continuity of custody", Definition;

    // Shipments.
    SHIPPED_EMPTY = "waste.shipment_empty", Stop,
        "A shipment names at least one container, each once",
        "EPA form 8700-22, item 10", Seen;
    OFFERED_TWICE = "waste.shipment_offered_twice", Stop,
        "A shipment is offered once",
        "definition: one label, one shipment", Definition;
    ON_TWO_SHIPMENTS = "waste.on_two_shipments", Stop,
        "A container is on exactly one shipment document",
        "definition: one holder at any time", Definition;
    SHIPPED_UNCLOSED = "waste.shipped_unclosed", Stop,
        "A container is closed before it is offered",
        "40 CFR 262.16(b)(2)(iii); 262.30, packaging", Memory;
    SHIPPED_UNWEIGHED = "waste.shipped_unweighed", Warn,
        "A container is weighed before it is offered",
        "EPA form 8700-22, item 11, total quantity", Seen;
    DOCUMENT_FORM = "waste.document_form", Warn,
        "The number of a document has the form of its kind",
        "40 CFR 262.21(f)(2); SI 2005/894 reg. 34", Seen;
    DOCUMENT_TWICE = "waste.document_used_twice", Stop,
        "A document number goes with one shipment",
        "40 CFR 262.21(f)(2), unique number", Seen;
    ID_FORM = "waste.registration_form", Note,
        "An EPA identification number has twelve characters in the usual form",
        "EPA form 8700-22, items 1, 6 to 8", Seen;
    UNKNOWN_SHIPMENT = "waste.unknown_shipment", Stop,
        "A shipment is offered before anything else is told of it",
        "40 CFR 262.23(a), order of signatures", Seen;
    CHAIN_ORDER = "waste.transporter_order", Stop,
        "Generator, transporters and facility sign in order, and no date goes back",
        "40 CFR 262.23, 263.20, order of custody", Memory;
    OTHER_PARTY = "waste.other_party", Warn,
        "The transporter and the facility are those on the document",
        "EPA form 8700-22, items 6 to 8, 18b", Seen;
    DELIVERED_UNKNOWN = "waste.delivered_unknown_container", Warn,
        "The facility tells of containers that were shipped to it",
        "40 CFR 264.72(a)", Seen;
    NOT_ALL_DELIVERED = "waste.not_all_delivered", Warn,
        "Every container shipped is received or refused",
        "40 CFR 264.72(a)", Seen;
    WEIGHT_SIGNIFICANT = "waste.weight_significant", Warn,
        "The weight of bulk waste received is within 10 percent of what was shipped",
        "40 CFR 264.72(b)", Seen;
    WEIGHT_DISAGREES = "waste.weight_disagrees", Warn,
        "The weights of shipper and facility agree within their uncertainty",
        "E_n of ISO 13528, ISO/IEC 17043", Memory;
    PIECES_DIFFER = "waste.pieces_differ", Warn,
        "The facility counts the pieces that were shipped",
        "40 CFR 264.72(b)", Seen;
    SETTLES_NOTHING = "waste.settles_nothing", Warn,
        "A settlement names a discrepancy of its shipment",
        "definition", Definition;
    NOTHING_MISSING = "waste.nothing_missing", Note,
        "A signed copy is asked for or reported while it is missing",
        "40 CFR 262.42", Secondary;
    REGISTER_LATE = "waste.register_late", Warn,
        "A handover stands in the register within 10 days",
        "NachwV section 24", Seen;
    CERTIFICATE_MASS = "waste.certificate_mass", Warn,
        "Certificates cover the mass that the facility received",
        "definition: mass certified against mass received", Definition;
    CERTIFIED_EARLY = "waste.certified_before_receipt", Stop,
        "Disposal is certified after receipt",
        "definition: order of custody", Definition;
    METHOD_FORBIDDEN = "waste.method_forbidden", Stop,
        "The method of treatment is allowed",
        "2008/98/EC Annex I, D11", Secondary;
    METHOD_UNKNOWN = "waste.method_unknown", Note,
        "A method code is D1 to D15, R1 to R13 or a known H code",
        "2008/98/EC Annexes I and II; EPA form 8700-22 item 19", Secondary;
}
