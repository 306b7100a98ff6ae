//! The words of the printed report. What is recorded (codes, labels) is printed as it stands.

use crate::texts::texts;

texts! {
    Title = "Powder report", "Pulverbericht";
    Subject = "Where one lot of powder came from, what was decided about it and where every gram of it went", "Woher eine Pulvercharge kam, was über sie entschieden wurde und wohin jedes Gramm ging";
    Lot = "Lot", "Charge";
    Site = "Site", "Standort";
    MadeAsOf = "As of", "Stand";
    Log = "Log", "Protokoll";
    Entries = "Entries", "Einträge";
    Entry = "Entry", "Eintrag";
    Root = "Root of the tree over them", "Wurzel des Baums darüber";
    KeyOfLog = "Key of the log", "Schlüssel des Protokolls";
    Times = "Times", "Uhrzeiten";
    Intro = "Every line names the entries of the log it rests on; the same entries give the same report to the byte. People stand here by pseudonym.", "Jede Zeile nennt die Einträge des Protokolls, auf denen sie ruht; gleiche Einträge ergeben denselben Bericht, Byte für Byte. Personen stehen hier mit Pseudonym.";

    HeadingBirth = "Birth certificate", "Geburtsurkunde";
    Status = "Status", "Zustand";
    Material = "Material", "Werkstoff";
    Supplier = "Supplier, its lot", "Lieferant, dessen Charge";
    Certificate = "Certificate", "Zeugnis";
    Digest = "SHA-256 of its file", "SHA-256 der Datei";
    None = "none", "keines";
    Seals = "Seals whole on receipt", "Siegel bei Eingang heil";
    Made = "Received or made", "Angeliefert oder gemischt";
    Expires = "Last day of use", "Letzter Tag der Verwendung";
    NotTold = "not told", "nicht angegeben";
    ExpiresNote = "A blend inherits the earliest of its lots.", "Eine Mischung erbt den frühesten Tag ihrer Chargen.";
    Opened = "First opened", "Zuerst geöffnet";
    HoursSince = "h ago", "h her";
    Released = "Released by", "Freigegeben von";
    ByComponents = "not by itself; everything in it was released", "nicht selbst; alles darin war freigegeben";
    NotReleased = "not released", "nicht freigegeben";
    Container = "Container", "Gebinde";
    GrossKg = "Gross kg", "Brutto kg";
    TareKg = "Tare kg", "Tara kg";
    NetKg = "Net kg", "Netto kg";
    Yes = "yes", "ja";
    No = "no", "nein";

    HeadingLife = "Tests, holds and decisions", "Prüfungen, Sperren und Entscheidungen";
    Test = "Test", "Prüfung";
    Result = "Result", "Ergebnis";
    Hold = "Hold", "Sperre";
    Place = "Place", "Ort";
    WholeLot = "the whole lot", "die ganze Charge";
    Decision = "Decision", "Entscheidung";
    OpenHold = "open", "offen";
    DecidedBy = "Decided by entry", "Entschieden mit Eintrag";

    HeadingMakeup = "What it was made of", "Woraus sie gemischt wurde";
    Fraction = "Fraction", "Anteil";
    MassKg = "Mass kg", "Masse kg";
    Unknown = "UNKNOWN: source not recorded", "UNKNOWN: Herkunft nicht erfasst";
    Fresh = "Share of fresh powder", "Anteil frischen Pulvers";
    Asked = "recipe asks for at least", "Rezept verlangt mindestens";
    Accepted = "met", "erfüllt";
    Refused = "not met", "nicht erfüllt";
    Undecided = "not decided", "nicht entschieden";
    From = "From", "Von";
    Into = "Into", "Nach";

    HeadingNow = "Where it is now", "Wo sie jetzt ist";
    Kind = "Kind of place", "Art des Orts";
    Places = "Places", "Orte";
    OfThisLotKg = "Of this lot kg", "Von dieser Charge kg";
    HeldKg = "Held in all kg", "Insgesamt kg";
    Standing = "Standing", "Stand";
    OnHold = "on hold", "gesperrt";
    Shipped = "shipped on", "abgegangen mit";
    Offered = "offered on", "angeboten mit";
    Cut = "{shown} of {total} are listed, those with most of the lot first; the attached files say the same.", "{shown} von {total} sind aufgeführt, die mit dem größten Anteil zuerst; die Anlagen sagen dasselbe.";

    HeadingBuilds = "Builds and blends it is in", "Bauaufträge und Mischungen, in denen sie ist";
    Build = "Build", "Bauauftrag";
    PartsKg = "Parts kg", "Teile kg";
    Running = "still running", "läuft noch";
    Blend = "Blend", "Mischung";
    DilutionNote = "Fractions are those in what was drawn or blended, under perfect mixing: an upper bound for dilution, not a permission to release.", "Anteile beziehen sich auf das Entnommene oder Gemischte bei vollständiger Mischung: eine obere Grenze der Verdünnung, keine Freigabe.";

    HeadingBalance = "Do the books close?", "Geht die Bilanz auf?";
    Term = "Term", "Posten";
    InKg = "In kg", "Zugang kg";
    OutKg = "Out or there kg", "Abgang oder Bestand kg";
    Unaccounted = "Unaccounted", "Ungeklärt";
    UncertaintyK2 = "U (k = 2)", "U (k = 2)";
    Closed = "closed: not more than the weighings can tell", "geschlossen: nicht mehr, als die Wägungen erkennen";
    Open = "not closed", "nicht geschlossen";
    CannotTell = "nobody can tell: {count} masses state no uncertainty", "nicht zu entscheiden: {count} Massen ohne Unsicherheit";
    BalanceNote = "Positive is missing, negative is surplus; nothing is forced to zero. What stayed in an unpacked build is unaccounted.", "Positiv fehlt, negativ ist Überschuss; nichts wird auf null gezwungen. Was in einem ausgepackten Bau blieb, ist ungeklärt.";

    HeadingMoves = "Every move", "Jede Bewegung";
    When = "When", "Wann";
    Move = "Move", "Bewegung";
    SmallMoves = "Moves that carried less than {below} kg of the lot are not listed: {count}, together {mass} kg.", "Bewegungen mit weniger als {below} kg der Charge sind nicht aufgeführt: {count}, zusammen {mass} kg.";

    HeadingEnds = "Corrections and findings", "Berichtigungen und Befunde";
    CorrectedBy = "Corrected by", "Berichtigt durch";
    Approver = "Approved by", "Gebilligt von";
    Reason = "Reason", "Grund";
    Void = "void", "ungültig";
    Finding = "Finding", "Befund";
    Rule = "Rule, source", "Regel, Quelle";
    Detail = "Detail", "Einzelheiten";
    Settled = "Settled by", "Erledigt mit";
    OpenFinding = "open", "offen";

    HeadingAssumptions = "What the figures assume", "Was die Zahlen voraussetzen";
    Assume1 = "Perfect mixing inside a place: what is taken out has the composition of the whole.", "Vollständige Mischung in jedem Ort: Entnommenes ist zusammengesetzt wie das Ganze.";
    Assume2 = "Powder that leaves a build has aged by one build.", "Pulver, das einen Bau verlässt, ist um einen Bau gealtert.";
    Assume3 = "More taken out than the book says was there is powder of unknown source.", "Was mehr entnommen wurde, als laut Buch da war, ist Pulver unbekannter Herkunft.";
    Assume4 = "Uncertainty of a weighing: limit of error in service (OIML R 76-1, Table 6, twice in service) over the square root of 3.", "Unsicherheit einer Wägung: Verkehrsfehlergrenze (OIML R 76-1, Tabelle 6, im Verkehr verdoppelt) durch Wurzel aus 3.";
    AttachmentJson = "The report in machine-readable form", "Der Bericht in maschinenlesbarer Form";
    AttachmentCsv = "The tables of the report for spreadsheets", "Die Tabellen des Berichts für Tabellenprogramme";
}

#[cfg(test)]
mod tests {
    use super::Key;
    use crate::pdf::Language;

    #[test]
    fn every_text_is_there_in_both_languages() {
        for key in Key::ALL {
            for language in [Language::English, Language::German] {
                assert!(!key.text(language).trim().is_empty(), "{key:?}");
            }
        }
    }
}
