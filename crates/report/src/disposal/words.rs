//! The words of the printed forms, in each language. What is recorded (codes, labels, details of
//! findings) is printed as it stands; data forms are in one language only.

use shopfloor::finding::{Confidence, Level};
use shopfloor::waste::category::Category;
use shopfloor::waste::clocks::{Clock, ClockKind, ClockNote, ClockState};
use shopfloor::waste::container::{ContainerState, CustodyEvent};
use shopfloor::waste::events::{Determination, DocumentKind};
use shopfloor::waste::retention::RecordKind;
use shopfloor::waste::view::ShipmentEvent;

use shopfloor::cautions::{Caution, DEFER};

use super::{CautionLine, FactName, OpenKind};
use crate::pdf::Language;
use crate::texts::texts;

/// Cautions and notices in German: id, title, text.
const GERMAN_CAUTIONS: &[(&str, &str, &str)] = &[
    (
        "hazardous_waste",
        "Gefährliche Abfälle",
        "Behälter außer beim Einfüllen geschlossen, gekennzeichnet und von Unverträglichem getrennt \
         halten. Die Einstufung trifft, wer den Abfall erzeugt, nie diese Software.",
    ),
    (
        "combustible_dust",
        "Brennbarer Staub",
        "Feines Polymer- und Metallpulver kann aufgewirbelt explodieren. Mit einem für brennbaren \
         Staub zugelassenen Sauger saugen; nicht abblasen und nicht heftig kehren. Schichten dünn \
         und Flächen sauber halten.",
    ),
    (
        "ignition_and_earthing",
        "Zündquellen und Erdung",
        "Funken, Flammen und Heißarbeiten fernhalten. Behälter, Schläuche und Personen erden und \
         verbinden, bevor Pulver bewegt wird; die Klemme jedes Mal prüfen.",
    ),
    (
        "breathing_protection",
        "Atemschutz",
        "Eine angepasste Partikelmaske der am Standort vorgeschriebenen Klasse, Handschuhe und \
         Augenschutz tragen. Eine Dichtsitzprüfung gilt für eine Person, ein Modell und eine Größe.",
    ),
    (
        "isolation",
        "Vor dem Öffnen freischalten",
        "Ausschalten, sperren und prüfen, dass keine Energie mehr da ist, bevor jemand in eine \
         Maschine greift.",
    ),
    (
        "hot_powder",
        "Heißes Pulver, heiße Flächen",
        "Bauraum, Kammer und Pulver vor dem Öffnen und Anfassen abkühlen lassen. Das Innere eines \
         Pulverkuchens bleibt lange heiß.",
    ),
    (
        "reactive_metal",
        "Reaktive Metalle",
        "Titan-, Aluminium- und Magnesiumpulver können sich entzünden oder mit Wasser Wasserstoff \
         bilden. Von anderem Abfall und von Wasser fernhalten, wenn keine fachkundige Person anderes \
         sagt; ein geeignetes Löschmittel bereithalten.",
    ),
    (
        "lifting",
        "Heben",
        "Pulverbehälter sind schwerer, als sie aussehen. Hebehilfe oder zweite Person nehmen; \
         Beutel vor dem Heben zubinden.",
    ),
    (
        "no_determination",
        "",
        "Dies ist eine Entscheidungshilfe, keine Einstufung. Wer den Abfall erzeugt, entscheidet, ob \
         er gefährlich ist, und bleibt dafür verantwortlich.",
    ),
    (
        "federal_only",
        "",
        "Hier gelten nur Bundesregeln. Ein Staat kann strenger sein: das Programm des Staates prüfen.",
    ),
    (
        "day_count",
        "",
        "Termine sind Beginn plus N Tage im Kalender des Standorts. Die Regeln sagen nicht, wie Tage \
         gezählt werden: die strenge Zählung wählen oder die Behörde fragen.",
    ),
    (
        "versions",
        "",
        "Einige Grenzen änderten sich am 2025-01-22 und am 2025-12-01; es gilt die Fassung am Tag des \
         Fristbeginns. Unbestätigte Werte sind gekennzeichnet.",
    ),
    (
        "dust_and_codes",
        "",
        "Staub, der brennen oder explodieren kann, ist gefährlich, ob ein Abfallschlüssel das sagt \
         oder nicht. Transportklasse und Abfallschlüssel sind zwei Entscheidungen.",
    ),
    (
        "far_facility",
        "",
        "Die Grenze von 270 Tagen verlangt eine Anlage in 200 Meilen Entfernung oder mehr: Anlage und \
         Entfernung eintragen.",
    ),
    (
        "no_filing",
        "",
        "Diese Aufzeichnung ersetzt kein Begleitpapier und keine Meldung im System der Behörde.",
    ),
    (
        "mirror_entries",
        "",
        "Ein Eintrag ohne Sternchen beweist nicht, dass Abfall harmlos ist. Spiegeleinträge verlangen \
         eine Bewertung der gefährlichen Eigenschaften; die Behörde kann anders entscheiden.",
    ),
    (
        "signature",
        "",
        "Eine Unterschrift sagt hier, wer was wann erklärt hat. Sie ist keine elektronische Signatur \
         im Sinne des Abfallrechts, wenn Ihr Verfahren sie nicht dazu macht.",
    ),
    (
        "legal_hold",
        "",
        "Unterlagen werden nicht gelöscht, solange ein Verfahren der Behörde offen ist.",
    ),
];

/// Heading and text of a caution of work in a language, without the closing words.
pub fn caution(language: Language, caution: &Caution) -> (&'static str, &'static str) {
    let german = GERMAN_CAUTIONS.iter().find(|(id, ..)| *id == caution.id);
    match (language, german) {
        (Language::German, Some((_, title, text))) => (title, text),
        (Language::German, None) | (Language::English, _) => (caution.title, caution.text),
    }
}

/// Closing words of every caution in a language.
pub fn closing_words(language: Language) -> &'static str {
    Words(language).defer()
}

texts! {
    Title = "Disposal report", "Entsorgungsbericht";
    Subject = "Containers, custody, shipments and masses of waste of one site and period", "Behälter, Gewahrsam, Transporte und Massen der Abfälle eines Standorts und Zeitraums";
    Site = "Site", "Standort";
    Period = "Period", "Zeitraum";
    PeriodTo = "to", "bis";
    LocalDays = "local days", "örtliche Kalendertage";
    Rules = "Rules", "Regelwerke";
    NoRules = "no jurisdiction set: common practice only", "kein Rechtsraum gesetzt: nur übliche Praxis";
    MadeAsOf = "States as of", "Stand";
    Log = "Log", "Protokoll";
    Entries = "Entries", "Einträge";
    EntriesBelow = "Entries", "Einträge";
    Root = "Root of the tree over them", "Wurzel des Baums darüber";
    KeyOfLog = "Key of the log", "Schlüssel des Protokolls";
    Checkpoint = "Signed checkpoint", "Signierter Prüfpunkt";
    CheckpointNone = "none yet", "noch keiner";
    CosignedBy = "Cosigned by", "Mitgezeichnet von";
    CosignedByNobody = "nobody when this was made", "niemandem bis zur Erstellung";
    Uncovered = "Not covered from outside", "Von außen nicht gedeckt";
    UncoveredNone = "0: others remember every entry this report rests on", "0: andere haben jeden Eintrag vermerkt, auf dem dieser Bericht beruht";
    UncoveredAll = "whoever holds the key of the log could still rewrite them", "wer den Schlüssel des Protokolls hat, könnte sie noch umschreiben";
    UncoveredSince = "all after what was cosigned at", "alle nach dem, was mitgezeichnet wurde am";
    CheckpointInQr = "in the code at the end", "im Code am Ende";
    Intro = "Every figure leads to entries of the log by their numbers; the same entries, days and rules give the same report to the byte. People stand here by pseudonym unless a name was asked for.", "Jede Zahl führt über Nummern zu Einträgen des Protokolls; gleiche Einträge, Tage und Regeln ergeben denselben Bericht, Byte für Byte. Personen stehen hier mit Pseudonym, wenn kein Name verlangt wurde.";

    HeadingSummary = "Shipped in the period, by stream and treatment", "Im Zeitraum abgegeben, nach Abfallstrom und Behandlung";
    Stream = "Stream", "Abfallstrom";
    Material = "Material", "Werkstoff";
    Determined = "As determined", "Einstufung";
    Codes = "Codes", "Schlüssel";
    Method = "Method", "Verfahren";
    NotCertified = "not certified", "nicht bescheinigt";
    Containers = "Containers", "Behälter";
    ShippedKg = "Shipped kg", "Abgegeben kg";
    ReceivedKg = "Received kg", "Angenommen kg";
    Total = "Total", "Summe";
    MethodMeanings = "Methods", "Verfahren";

    HeadingBalance = "Balance by stream", "Bilanz nach Abfallstrom";
    Opening = "At start kg", "Anfang kg";
    Arose = "Put in kg", "Zugang kg";
    Returned = "Came back kg", "Rücklauf kg";
    Closing = "At end kg", "Ende kg";
    Difference = "Difference kg", "Differenz kg";
    Uncertainty = "± kg", "± kg";
    Closed = "Closed", "Geschlossen";
    BalanceNote = "At start + put in + came back - shipped - at end. Masses as weighed, else as put in; the uncertainty (k = 2) is that of all weighings the line rests on. What does not add up stays visible.", "Anfang + Zugang + Rücklauf - abgegeben - Ende. Massen wie gewogen, sonst wie eingefüllt; die Unsicherheit (k = 2) ist die aller Wägungen der Zeile. Was nicht aufgeht, bleibt sichtbar.";

    HeadingMonths = "Waste that arose, month by month", "Angefallene Abfälle nach Monaten";
    Month = "Month", "Monat";
    NonAcute = "Hazardous kg", "Gefährlich kg";
    Acute = "Acute kg", "Akut kg";
    Residue = "Spill residue kg", "Unfallrückstand kg";
    NonHazardous = "Not hazardous kg", "Nicht gefährlich kg";
    Undetermined = "Not determined kg", "Nicht eingestuft kg";
    Category = "Category", "Kategorie";
    HighestMonth = "Highest month", "Stärkster Monat";
    OfLimit = "of", "von";
    Limit = "limit", "Grenze";

    HeadingContainers = "Containers", "Behälter";
    Container = "Container", "Behälter";
    Days = "Opened, closed, left", "Begonnen, verschlossen, Abgang";
    NetKg = "Net kg", "Netto kg";
    ShipmentDocument = "Shipment, document", "Transport, Dokument";
    StateMethod = "State, method", "Zustand, Verfahren";
    ContainersNote = "Net mass as weighed, as shipped where it left. S: sum of what was put in, never weighed. D: weighing and sum differ by more than the uncertainty. *: left in the period and counted above.", "Nettomasse wie gewogen, bei Abgang wie abgegeben. S: Summe der Zugänge, nie gewogen. D: Wägung und Summe weichen um mehr als die Unsicherheit ab. *: im Zeitraum abgegangen und oben gezählt.";

    HeadingShipments = "Shipments and custody", "Transporte und Gewahrsam";
    Shipment = "Shipment", "Transport";
    Document = "Document", "Dokument";
    Facility = "Facility", "Anlage";
    Transporters = "Transporters", "Beförderer";
    SignedCopy = "Signed copy", "Unterschriebenes Exemplar";
    Missing = "missing", "fehlt";
    Pieces = "Pieces", "Stückzahl";
    PiecesShippedReceived = "shipped, received", "abgegeben, angenommen";
    When = "When", "Wann";
    What = "What", "Was";
    Who = "Who", "Wer";
    Detail = "Detail", "Einzelheiten";
    Entry = "Entry", "Eintrag";
    Steps = "Steps", "Schritte";
    Weights = "Weights", "Massen";
    Percent = "Difference %", "Differenz %";
    EnScore = "E_n", "E_n";
    LegalTest = "Legal test", "Rechtsprüfung";
    ScaleTest = "Scales agree", "Waagen einig";
    NotAsked = "not asked", "nicht gefragt";
    Significant = "significant", "erheblich";
    NotSignificant = "not significant", "nicht erheblich";
    Refused = "refused", "zurückgewiesen";
    AllContainers = "all containers", "alle Behälter";
    Custody = "Custody", "Gewahrsam";
    Holder = "Holder", "Inhaber";
    Since = "From", "Von";
    Until = "Until", "Bis";
    Sides = "Both sides", "Beide Seiten";
    Gap = "gap", "Lücke";
    OneSide = "one side only", "nur eine Seite";

    HeadingDiscrepancies = "Discrepancies", "Abweichungen";
    Expected = "Expected", "Erwartet";
    Found = "Found", "Festgestellt";
    Settled = "Settled", "Geklärt";
    NotSettled = "not settled", "nicht geklärt";

    HeadingOpen = "Open items", "Offene Punkte";
    Kind = "Kind", "Art";
    About = "About", "Betrifft";
    HeadingClocks = "Clocks", "Fristen";
    MustHappen = "What must happen", "Was geschehen muss";
    StartLastDay = "Start, last day", "Beginn, letzter Tag";
    LastDay = "last day", "letzter Tag";
    DaysLate = "days late", "Tage zu spät";
    Giver = "giver", "Abgeber";
    Receiver = "receiver", "Abnehmer";
    Weighed = "weighed", "gewogen";
    PutIn = "put in", "eingefüllt";
    Certified = "certified", "bescheinigt";
    Shipped = "shipped", "abgegeben";
    Received = "received", "angenommen";
    Transporter = "transporter", "Beförderer";
    Standing = "Stands", "Stand";
    Rule = "Rule", "Regel";
    Unconfirmed = "unconfirmed", "unbestätigt";
    ClocksNote = "Last day on which a duty is met in time, as of the instant above. ~ marks values that are not confirmed.", "Letzter Tag, an dem eine Pflicht rechtzeitig erfüllt ist, zum Stand oben. ~ kennzeichnet unbestätigte Werte.";

    HeadingRetention = "How long the records are kept", "Aufbewahrung";
    Record = "Record", "Unterlage";
    From = "From", "Ab";
    KeepUntil = "At least until", "Mindestens bis";
    StillOpen = "still open", "noch offen";
    LegalHold = "A legal hold lies on the records of this site: nothing may be deleted.", "Auf den Unterlagen dieses Standorts liegt ein Löschverbot: nichts darf gelöscht werden.";

    HeadingCorrections = "Corrections", "Berichtigungen";
    CorrectionsNote = "The first statement stays in the log; the report counts the corrected one.", "Die erste Angabe bleibt im Protokoll; gezählt wird die berichtigte.";
    Original = "Recorded", "Eingetragen";
    Corrected = "Counts now", "Gilt jetzt";
    Void = "void", "ungültig";
    Reason = "Reason", "Grund";
    ApprovedBy = "Approved by", "Genehmigt von";

    HeadingFindings = "Findings in the period", "Feststellungen im Zeitraum";
    Day = "Day", "Tag";
    FindingLevel = "Weight", "Gewicht";
    SettledBy = "Settled by", "Erledigt durch";

    HeadingRules = "Rules used", "Verwendete Regeln";
    StateOfRules = "as of", "Stand";
    DayCount = "Day count", "Tageszählung";
    DayCountUsual = "last day = start + N", "letzter Tag = Beginn + N";
    DayCountStrict = "strict: last day = start + N - 1", "streng: letzter Tag = Beginn + N - 1";
    Value = "Value", "Wert";
    Version = "Version", "Fassung";
    Section = "Section", "Fundstelle";
    Sureness = "How sure", "Wie sicher";
    OwnValue = "set by the site instead of", "vom Standort gesetzt statt";
    RefusedValue = "the site's laxer value is not used:", "der mildere Wert des Standorts gilt nicht:";

    HeadingCautions = "Cautions and limits of this report", "Warnhinweise und Grenzen dieses Berichts";
    HeadingSignature = "Signature", "Unterschrift";
    SignatureMeaning = "I have read this report and compared it with the record. To the best of my knowledge it is complete for the site and period named.", "Ich habe diesen Bericht gelesen und mit dem Protokoll verglichen. Nach bestem Wissen ist er für den genannten Standort und Zeitraum vollständig.";
    SignatureMeaningLot = "I have read this report and compared it with the record. To the best of my knowledge it is complete for the lot named.", "Ich habe diesen Bericht gelesen und mit dem Protokoll verglichen. Nach bestem Wissen ist er für die genannte Charge vollständig.";
    HeadingCheck = "How to check this report", "So wird dieser Bericht geprüft";
    Check1 = "Compare the head printed below and on every page with a checkpoint that a witness keeps: size and root must agree.", "Den Kopf unten und auf jeder Seite mit einem Prüfpunkt vergleichen, den ein Zeuge verwahrt: Größe und Wurzel müssen übereinstimmen.";
    Check2 = "The attached files hold every figure. Who holds the entries can compile the report again and compare the bytes.", "Die angehängten Dateien enthalten jede Zahl. Wer die Einträge hat, kann den Bericht neu erstellen und die Bytes vergleichen.";
    CheckCarried = "The attached evidence.zip holds the entries this report rests on, each with a proof. Save it and run auditor check evidence.zip. It shows that they are in the log; that none was left out, only the whole log shows.", "Die angehängte evidence.zip enthält die Einträge, auf denen dieser Bericht beruht, jeden mit einem Beweis. Datei sichern und auditor check evidence.zip ausführen. Das zeigt, dass sie im Protokoll stehen; dass keiner fehlt, zeigt nur das ganze Protokoll.";
    CheckElsewhere = "The evidence is not carried inside: take it from the recorder (evidence bundle) and run auditor check.", "Die Beweise liegen nicht bei: aus dem Dienst holen (Beweispaket) und auditor check ausführen.";
    QrAlt = "QR code with the checkpoint this report rests on", "QR-Code mit dem Prüfpunkt, auf dem dieser Bericht beruht";

    UpkeepTitle = "Maintenance report", "Instandhaltungsbericht";
    UpkeepSubject = "Work on the machines of one site and period: done, late, open, and who stands for it", "Arbeiten an den Maschinen eines Standorts und Zeitraums: erledigt, verspätet, offen, und wer dafür steht";
    DoneOnTime = "Done on time", "Rechtzeitig erledigt";
    DoneLate = "Done late", "Verspätet erledigt";
    FellDueOpen = "Fell due and open", "Fällig und offen";
    OnTimeShare = "Share done on time", "Anteil rechtzeitig";
    NothingDue = "no tasks due", "keine Aufgaben fällig";
    Of = "of", "von";
    Interval = "95 % interval (Wilson 1927)", "95-%-Intervall (Wilson 1927)";
    TimeZone = "Time zone", "Zeitzone";
    AsOf = "As of", "Stand";
    HeadingWork = "Work that fell due or was done", "Fällige und erledigte Arbeiten";
    Machine = "Machine", "Maschine";
    Task = "Task", "Aufgabe";
    OnTime = "on time", "rechtzeitig";
    Late = "late", "verspätet";
    Open = "open", "offen";
    DueOn = "Fell due", "Fällig am";
    DoneOn = "Done", "Erledigt am";
    By = "By", "Von";
    HeadingDeferrals = "Work put off by decision", "Durch Entscheid aufgeschobene Arbeiten";
    HeadingParts = "Parts changed", "Gewechselte Teile";
    Position = "Position", "Platz";
    TakenOut = "Out", "Ausgebaut";
    Condition = "State", "Zustand";
    HoursCarried = "Hours", "Stunden";
    PutInPart = "In", "Eingebaut";
    HeadingDeviations = "Deviations, overrides among them", "Abweichungen, auch Übersteuerungen";
    Deviation = "Deviation", "Abweichung";
    WhatHappened = "What", "Was";
    Overridden = "Rules overridden", "Übersteuerte Regeln";
    HeadingUpkeepFindings = "Findings: of the period, and open ones from before", "Feststellungen: aus dem Zeitraum, und offene von vorher";
    HeadingSigned = "Signatures of these entries", "Unterschriften dieser Einträge";
    SignedEntry = "Entry", "Eintrag";
    Meaning = "Meaning", "Bedeutung";

    Yes = "yes", "ja";
    No = "no", "nein";
    AttachmentJson = "Every figure of this report, machine-readable", "Jede Zahl dieses Berichts, maschinenlesbar";
    AttachmentEvidence = "The entries this report rests on, each with a proof that the log holds it", "Die Einträge, auf denen dieser Bericht beruht, jeder mit einem Beweis, dass das Protokoll ihn enthält";
    AttachmentCsv = "The tables of this report for spreadsheets", "Die Tabellen dieses Berichts für Tabellenkalkulationen";

    SheetTitle = "Custody sheet", "Gewahrsamsblatt";
    SheetSubject = "Who held each container of one shipment, from first to last", "Wer jeden Behälter eines Transports wann innehatte";
    SheetSign = "Hand-over signatures", "Unterschriften der Übergabe";
    GivenBy = "I give these containers", "Ich übergebe diese Behälter";
    TakenBy = "I take these containers over, in the number named", "Ich übernehme diese Behälter in der genannten Zahl";
    ReceivedBy = "I received these containers", "Ich habe diese Behälter angenommen";

    LabelSubject = "Label of one waste container", "Etikett eines Abfallbehälters";
    HazardousWaste = "HAZARDOUS WASTE", "GEFÄHRLICHER ABFALL";
    Waste = "WASTE", "ABFALL";
    NotDeterminedYet = "NOT DETERMINED YET", "NOCH NICHT EINGESTUFT";
    Hazards = "Hazards", "Gefahren";
    AccumulationStart = "Accumulation began", "Sammlung begonnen";
    Tare = "Tare", "Tara";
    LabelQrAlt = "QR code with the container's label", "QR-Code mit der Kennung des Behälters";
    LabelNote = "Before transport, the marks that transport and waste law ask for are added by a qualified person.", "Vor dem Transport ergänzt eine fachkundige Person die Kennzeichen nach Transport- und Abfallrecht.";
}

/// The words of one language.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Words(pub(crate) Language);

impl Words {
    pub(crate) fn of(self, key: Key) -> &'static str {
        key.text(self.0)
    }

    fn pick(self, english: &'static str, german: &'static str) -> &'static str {
        match self.0 {
            Language::English => english,
            Language::German => german,
        }
    }

    pub(super) fn yes(self, yes: bool) -> &'static str {
        self.of(if yes { Key::Yes } else { Key::No })
    }

    pub(super) fn determination(self, determination: Determination) -> &'static str {
        match determination {
            Determination::Hazardous => self.pick("hazardous", "gefährlich"),
            Determination::AcuteHazardous => self.pick("acute hazardous", "akut gefährlich"),
            Determination::NonHazardous => self.pick("not hazardous", "nicht gefährlich"),
        }
    }

    pub(super) fn state(self, state: ContainerState) -> &'static str {
        match state {
            ContainerState::OnSite => self.pick("on site", "am Standort"),
            ContainerState::InTransit => self.pick("in transit", "unterwegs"),
            ContainerState::Received => self.pick("received", "angenommen"),
            ContainerState::Disposed => self.pick("disposed of", "entsorgt"),
            ContainerState::Returned => self.pick("on its way back", "auf dem Rückweg"),
        }
    }

    pub(super) fn category(self, category: Category) -> &'static str {
        match category {
            Category::VerySmall => self.pick("very small", "sehr klein"),
            Category::Small => self.pick("small", "klein"),
            Category::Large => self.pick("large", "groß"),
        }
    }

    pub(super) fn custody(self, event: CustodyEvent) -> &'static str {
        match event {
            CustodyEvent::Opened => self.pick("started", "begonnen"),
            CustodyEvent::Moved => self.pick("handed over", "übergeben"),
            CustodyEvent::Accepted => self.pick("accepted", "übernommen"),
            CustodyEvent::Delivered => self.pick("received", "angenommen"),
            CustodyEvent::SentBack => self.pick("sent back", "zurückgesandt"),
            CustodyEvent::Forwarded => self.pick("forwarded", "weitergeleitet"),
            CustodyEvent::Certified => self.pick("certified", "bescheinigt"),
        }
    }

    pub(super) fn step(self, event: ShipmentEvent) -> &'static str {
        match event {
            ShipmentEvent::Offered => self.pick("offered", "angeboten"),
            ShipmentEvent::Accepted => self.pick("accepted", "übernommen"),
            ShipmentEvent::Delivered => self.pick("received", "angenommen"),
            ShipmentEvent::CopyReceived => self.pick("signed copy came", "Exemplar eingegangen"),
            ShipmentEvent::Rejected => self.pick("refused", "zurückgewiesen"),
            ShipmentEvent::Queried => self.pick("asked for copy", "nach Exemplar gefragt"),
            ShipmentEvent::DiscrepancyFound => self.pick("discrepancy", "Abweichung"),
            ShipmentEvent::DiscrepancySettled => {
                self.pick("discrepancy settled", "Abweichung geklärt")
            }
            ShipmentEvent::ExceptionReported => {
                self.pick("exception reported", "Ausbleiben gemeldet")
            }
            ShipmentEvent::Certified => self.pick("disposal certified", "Entsorgung bescheinigt"),
        }
    }

    pub(super) fn document(self, kind: DocumentKind) -> &'static str {
        match kind {
            DocumentKind::Manifest => self.pick("manifest", "Manifest"),
            DocumentKind::ConsignmentNote => self.pick("consignment note", "Consignment Note"),
            DocumentKind::IdentificationDocument => {
                self.pick("identification document", "Begleitschein")
            }
            DocumentKind::TransportDocument => {
                self.pick("transport document", "Beförderungspapier")
            }
        }
    }

    pub(super) fn fact(self, name: FactName) -> String {
        let key = match name {
            FactName::LastDay => Key::LastDay,
            FactName::DaysLate => Key::DaysLate,
            FactName::Rule => Key::Rule,
            FactName::Day => Key::Day,
            FactName::Transporter => Key::Transporter,
            FactName::Kind => Key::Kind,
            FactName::Expected => Key::Expected,
            FactName::Found => Key::Found,
            FactName::Shipped => Key::Shipped,
            FactName::Received => Key::Received,
            FactName::Certified => Key::Certified,
            FactName::Giver => Key::Giver,
            FactName::Receiver => Key::Receiver,
            FactName::Stream => Key::Stream,
            FactName::Weighed => Key::Weighed,
            FactName::PutIn => Key::PutIn,
        };
        let text = self.of(key);
        match self.0 {
            Language::English => text.to_lowercase(),
            Language::German => text.to_owned(),
        }
    }

    /// The text of a caution or notice; in German where there is one, else as recorded.
    pub(crate) fn caution(self, line: &CautionLine) -> (&str, &str) {
        let german = GERMAN_CAUTIONS.iter().find(|(id, ..)| *id == line.id);
        let text = line.text.strip_suffix(DEFER).unwrap_or(&line.text).trim_end();
        match (self.0, german) {
            (Language::German, Some((_, title, text))) => (title, text),
            (Language::German, None) | (Language::English, _) => (&line.title, text),
        }
    }

    /// Closing words of the cautions.
    pub(crate) fn defer(self) -> &'static str {
        self.pick(
            DEFER,
            "Es gelten das Handbuch der Maschine, die örtlichen Vorschriften und der Rat zugelassener \
             Fachleute.",
        )
    }

    pub(super) fn open(self, kind: OpenKind) -> &'static str {
        match kind {
            OpenKind::OverdueClock => self.pick("overdue", "überfällig"),
            OpenKind::NoSignedCopy => self.pick("no signed copy", "kein unterschriebenes Exemplar"),
            OpenKind::NoCertificate => self.pick("no certificate", "keine Bescheinigung"),
            OpenKind::UncertifiedMass => {
                self.pick("mass not covered by certificates", "Masse nicht bescheinigt")
            }
            OpenKind::UnsettledDiscrepancy => {
                self.pick("discrepancy not settled", "Abweichung nicht geklärt")
            }
            OpenKind::UnrecordedDiscrepancy => {
                self.pick("discrepancy not recorded", "Abweichung nicht eingetragen")
            }
            OpenKind::OneSidedTransfer => {
                self.pick("transfer signed by one side", "Übergabe einseitig unterschrieben")
            }
            OpenKind::CustodyGap => self.pick("gap in custody", "Lücke im Gewahrsam"),
            OpenKind::UndeterminedStream => {
                self.pick("stream not determined", "Abfallstrom nicht eingestuft")
            }
            OpenKind::SumAndWeighing => {
                self.pick("sum and weighing differ", "Summe und Wägung verschieden")
            }
        }
    }

    pub(super) fn clock(self, kind: ClockKind) -> &'static str {
        let german = match kind {
            ClockKind::Accumulation => "Behälter abgeben",
            ClockKind::SiteQuantity => "Abfälle am Standort unter die Menge bringen",
            ClockKind::SatelliteExcess => "Überschuss aus dem Sammelplatz bringen",
            ClockKind::Inspection => "Bereich besichtigen",
            ClockKind::AskForCopy => "nach dem unterschriebenen Exemplar fragen",
            ClockKind::ExceptionReport => "ausbleibendes Exemplar melden",
            ClockKind::Discrepancy => "Abweichung klären oder melden",
            ClockKind::Certificate => "Entsorgungsbescheinigung beschaffen",
            ClockKind::ConsigneeReturn => "Quartalsmeldung der Anlage beschaffen",
            ClockKind::DeterminationReview => "Einstufung überprüfen",
            ClockKind::BiennialReport => "Zweijahresbericht einreichen",
            ClockKind::Renotification => "Behörde erneut anzeigen",
        };
        match self.0 {
            Language::English => kind.what(),
            Language::German => german,
        }
    }

    /// Where a clock stands, in words and numbers.
    pub(super) fn standing(self, clock: &Clock) -> String {
        match self.0 {
            Language::English => clock.words.clone(),
            Language::German => {
                let n = clock.margin_days.abs();
                let days = if n == 1 { "1 Tag".to_owned() } else { format!("{n} Tage") };
                match clock.state {
                    ClockState::WithinLimit => format!("in der Frist, noch {days}"),
                    ClockState::DueSoon => format!("bald fällig, noch {days}"),
                    ClockState::Due => "heute fällig, letzter Tag".to_owned(),
                    ClockState::Overdue => format!("überfällig seit {n} Tagen"),
                }
            }
        }
    }

    pub(super) fn note(self, note: ClockNote) -> &'static str {
        match note {
            ClockNote::Extended => self.pick("extension counted in", "Verlängerung eingerechnet"),
            ClockNote::ExtensionRefused => self.pick(
                "extension above the maximum not counted",
                "zu lange Verlängerung zählt nicht",
            ),
            ClockNote::FarFacility => self.pick("far facility", "ferne Anlage"),
            ClockNote::StartedAgain => {
                self.pick("started again after its return", "nach Rückkehr neu begonnen")
            }
            ClockNote::Undetermined => self.pick(
                "stream not determined: shown as if hazardous",
                "Strom nicht eingestuft: wie gefährlich gezeigt",
            ),
            ClockNote::NotRecorded => {
                self.pick("not recorded as a discrepancy", "nicht als Abweichung eingetragen")
            }
            ClockNote::Electronic => self.pick("electronically only", "nur elektronisch"),
            ClockNote::FiledElsewhere => self.pick(
                "filed with the regulator, not visible here",
                "wird bei der Behörde eingereicht, hier nicht sichtbar",
            ),
            ClockNote::Acute => self.pick("acute waste", "akut gefährlicher Abfall"),
        }
    }

    pub(super) fn record(self, record: RecordKind) -> &'static str {
        match record {
            RecordKind::ShippingDocument => self.pick("shipping document", "Begleitpapier"),
            RecordKind::ExceptionReport => self.pick("exception report", "Meldung des Ausbleibens"),
            RecordKind::Determination => self.pick("determination", "Einstufung"),
            RecordKind::RegisterEntry => self.pick("register entry", "Registereintrag"),
            RecordKind::BiennialReport => self.pick("biennial report", "Zweijahresbericht"),
        }
    }

    pub(crate) fn level(self, level: Level) -> &'static str {
        match level {
            Level::Note => self.pick("note", "Hinweis"),
            Level::Warn => self.pick("look at it", "ansehen"),
            Level::Stop => self.pick("should not have been", "hätte nicht sein dürfen"),
        }
    }

    pub(super) fn sureness(self, confidence: Confidence) -> &'static str {
        match confidence {
            Confidence::Seen => self.pick("official text seen", "amtlicher Text gesehen"),
            Confidence::Secondary => self.pick("secondary source", "Sekundärquelle"),
            Confidence::Memory => self.pick("from memory", "aus dem Gedächtnis"),
            Confidence::CommonPractice => self.pick("common practice", "übliche Praxis"),
            Confidence::Definition => self.pick("definition", "Festlegung"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_caution_and_notice_has_a_german_text() {
        let cautions = shopfloor::cautions::CAUTIONS.iter().map(|c| c.id);
        let notices = shopfloor::waste::notices::NOTICES.iter().map(|n| n.id);
        for id in cautions.chain(notices) {
            assert!(GERMAN_CAUTIONS.iter().any(|(german, ..)| *german == id), "{id}");
        }
    }

    #[test]
    fn every_text_is_there_in_both_languages() {
        for key in Key::ALL {
            for language in [Language::English, Language::German] {
                assert!(!key.text(language).trim().is_empty(), "{key:?}");
            }
        }
    }
}
