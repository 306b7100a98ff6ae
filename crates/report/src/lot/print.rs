//! The printed form: sections in the order of a lot's life.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use rust_decimal::Decimal;
use shopfloor::powder::balance::Balance;
use shopfloor::powder::genealogy::ReachedPlace;
use shopfloor::quantity::Mass;

use super::LotReport;
use super::tables::to_csv;
use super::words::Key;
use crate::disposal::{self, Print, PrintError, both_forms, entry_runs, log_head, render_at, rows};
use crate::json;
use crate::pdf::{Block, Column, Document, Language, Level, Row, Table, Text};

/// Decimals of masses: milligrams.
const MASS_DIGITS: u32 = 6;

/// Prints the report with its machine-readable form and its tables attached.
pub fn to_pdf(report: &LotReport, print: &Print<'_>) -> Result<Vec<u8>, PrintError> {
    render_at(&document(report, print)?, print, &report.at)
}

/// The document of the report, before it is set in type.
pub fn document(report: &LotReport, print: &Print<'_>) -> Result<Document, PrintError> {
    let zone = TimeZone::get(&report.time_zone).unwrap_or(TimeZone::UTC);
    let desk = Desk { report, language: print.language, zone };
    let shared = disposal::Desk { words: disposal::Words(print.language), print };
    let mut blocks = Vec::new();
    desk.birth(&mut blocks);
    desk.life(&mut blocks);
    desk.makeup(&mut blocks);
    desk.now(&mut blocks);
    desk.builds(&mut blocks);
    desk.balance(&mut blocks);
    desk.moves(&mut blocks);
    desk.ends(&mut blocks);
    shared.signatures(&report.signatures, &mut blocks);
    desk.assumptions(&mut blocks);
    shared.cautions(&report.cautions, &mut blocks);
    shared.signature_block(disposal::Key::SignatureMeaningLot, &mut blocks);
    shared.check(&report.head, &mut blocks);
    let material = report.lot.material.as_ref().map(|m| format!(" · {m}")).unwrap_or_default();
    let mut attachments = both_forms(
        "lot",
        [desk.t(Key::AttachmentJson), desk.t(Key::AttachmentCsv)],
        json::to_bytes(report)?,
        to_csv(report),
    );
    attachments.extend(print.evidence.iter().cloned());
    Ok(Document {
        title: desk.t(Key::Title).into(),
        subtitle: format!("{} {}{material}", desk.t(Key::Lot), report.lot.lot),
        language: print.language,
        subject: desk.t(Key::Subject).into(),
        log: log_head(&report.head),
        blocks,
        attachments,
    })
}

struct Desk<'a> {
    report: &'a LotReport,
    language: Language,
    zone: TimeZone,
}

/// A mass in kg, as it is, at most to the milligram.
fn kg(mass: &Mass) -> Text {
    number(mass.base())
}

fn number(value: Decimal) -> Text {
    Text::plain(value.round_dp(MASS_DIGITS).normalize().to_string())
}

/// A fraction with six decimals; what is less is not shown as nothing.
fn fraction(value: Decimal) -> Text {
    let shown = value.round_dp(6).normalize();
    if shown.is_zero() && !value.is_zero() {
        return "< 0.000001".into();
    }
    Text::plain(shown.to_string())
}

impl Desk<'_> {
    fn t(&self, key: Key) -> &'static str {
        key.text(self.language)
    }

    fn heading(&self, key: Key, blocks: &mut Vec<Block>) {
        blocks.push(Block::heading(Level::One, self.t(key)));
    }

    fn yes(&self, yes: bool) -> &'static str {
        self.t(if yes { Key::Yes } else { Key::No })
    }

    /// A moment on the clock of the site.
    fn moment(&self, ms: i64) -> String {
        let at = Timestamp::from_millisecond(ms).unwrap_or_default();
        at.to_zoned_datetime(self.zone.clone()).strftime("%Y-%m-%d %H:%M").to_string()
    }

    fn table(&self, columns: Vec<Column>, cells: Vec<Vec<Text>>, blocks: &mut Vec<Block>) {
        let (caption, rows) = (Text::default(), rows(cells));
        blocks.push(Block::Table(Table { caption, columns, rows, row_headings: true }));
    }

    fn birth(&self, blocks: &mut Vec<Block>) {
        let (report, lot) = (self.report, &self.report.lot);
        let told = |text: Option<String>| text.unwrap_or_else(|| self.t(Key::NotTold).to_owned());
        let site = told(report.site.as_ref().map(ToString::to_string));
        let mut pairs: Vec<(Text, Text)> = vec![
            (self.t(Key::Lot).into(), Text::mono(lot.lot.to_string())),
            (self.t(Key::Status).into(), Text::bold(lot.status.to_string())),
            (self.t(Key::Site).into(), site.into()),
            (self.t(Key::MadeAsOf).into(), report.at.clone().into()),
            (self.t(Key::Times).into(), report.time_zone.clone().into()),
            (self.t(Key::Log).into(), Text::mono(&report.head.origin)),
            (self.t(Key::Entries).into(), report.head.size.to_string().into()),
            (self.t(Key::Root).into(), Text::mono(&report.head.root)),
            (self.t(Key::KeyOfLog).into(), Text::mono(&report.head.key_id)),
        ];
        blocks.push(Block::KeyValues(std::mem::take(&mut pairs)));
        blocks.push(Block::paragraph(self.t(Key::Intro)));
        self.heading(Key::HeadingBirth, blocks);
        let material = told(lot.material.as_ref().map(ToString::to_string));
        pairs.push((self.t(Key::Material).into(), material.into()));
        if let Some(supplier) = &lot.supplier {
            let own = lot.supplier_lot.as_ref().map(|l| format!(", {l}")).unwrap_or_default();
            pairs.push((self.t(Key::Supplier).into(), Text::mono(format!("{supplier}{own}"))));
            match &lot.certificate {
                Some(c) => {
                    pairs.push((self.t(Key::Certificate).into(), Text::mono(c.number.to_string())));
                    pairs.push((self.t(Key::Digest).into(), Text::mono(c.digest.to_string())));
                }
                None => {
                    pairs.push((self.t(Key::Certificate).into(), Text::bold(self.t(Key::None))))
                }
            }
            let seals = lot.seals_whole.map(|whole| self.yes(whole).to_owned());
            pairs.push((self.t(Key::Seals).into(), told(seals).into()));
        }
        let made = format!("{} kg, {}", lot.made.base().normalize(), self.moment(lot.made_ms));
        pairs.push((self.t(Key::Made).into(), self.with_entry(made, lot.entries.first().copied())));
        let expires = told(lot.expires.map(|day| day.to_string()));
        pairs.push((self.t(Key::Expires).into(), self.with_entry(expires, lot.expires_by)));
        if let Some(opened) = &lot.opened {
            let text = format!(
                "{} ({} {})",
                self.moment(opened.time_ms),
                opened.hours.digits(),
                self.t(Key::HoursSince)
            );
            pairs.push((self.t(Key::Opened).into(), self.with_entry(text, Some(opened.entry))));
        }
        let released = match (&lot.released_by, &lot.released_by_person) {
            (Some(_), Some(person)) => person.to_string(),
            (Some(_), None) => self.t(Key::NotTold).to_owned(),
            (None, _) if lot.released_by_components => self.t(Key::ByComponents).to_owned(),
            (None, _) => self.t(Key::NotReleased).to_owned(),
        };
        pairs.push((self.t(Key::Released).into(), self.with_entry(released, lot.released_by)));
        blocks.push(Block::KeyValues(pairs));
        if lot.makeup.is_some() {
            blocks.push(Block::SmallPrint(self.t(Key::ExpiresNote).into()));
            return;
        }
        let columns = vec![
            Column::new(self.t(Key::Container), 30),
            Column::figures(self.t(Key::GrossKg), 18),
            Column::figures(self.t(Key::TareKg), 18),
            Column::figures(self.t(Key::NetKg), 18),
            Column::new(self.t(Key::Entries), 16),
        ];
        let cells = self.report.containers.iter().map(|c| {
            let id = Text::mono(c.id.to_string());
            vec![id, kg(&c.gross), kg(&c.tare), kg(&c.net), entry_runs(&[c.entry])]
        });
        self.table(columns, cells.collect(), blocks);
    }

    /// A value and the entry it comes from.
    fn with_entry(&self, text: String, entry: Option<u64>) -> Text {
        let plain = Text::plain(text);
        match entry {
            Some(entry) => {
                plain.and(format!("  {} ", self.t(Key::Entry))).and(Text::mono(entry.to_string()))
            }
            None => plain,
        }
    }

    fn life(&self, blocks: &mut Vec<Block>) {
        self.heading(Key::HeadingLife, blocks);
        let columns = vec![
            Column::new(self.t(Key::Test), 50),
            Column::new(self.t(Key::Result), 30),
            Column::new(self.t(Key::Entries), 20),
        ];
        let cells = self.report.lot.tests.iter().map(|t| {
            vec![
                Text::mono(t.test.to_string()),
                t.result.to_string().into(),
                entry_runs(&[t.entry]),
            ]
        });
        self.table(columns, cells.collect(), blocks);
        let columns = vec![
            Column::new(self.t(Key::Hold), 16),
            Column::new(self.t(Key::Place), 40),
            Column::new(self.t(Key::Decision), 24),
            Column::new(self.t(Key::DecidedBy), 20),
        ];
        let mut cells = Vec::new();
        for hold in &self.report.lot.holds {
            let place = |place: Option<String>| {
                place.map_or_else(|| self.t(Key::WholeLot).into(), Text::mono)
            };
            let held = || entry_runs(&[hold.entry]);
            for part in &hold.decided {
                let at = place(part.place.as_ref().map(ToString::to_string));
                let by = entry_runs(&[part.entry]);
                cells.push(vec![held(), at, part.decision.to_string().into(), by]);
            }
            let open = || vec![Text::bold(self.t(Key::OpenHold)), Text::default()];
            let names = hold.open.iter().map(|p| Some(p.to_string()));
            let whole = (hold.scope.is_empty() && hold.ended_by.is_none()).then_some(None);
            for name in names.chain(whole) {
                cells.push([vec![held(), place(name)], open()].concat());
            }
        }
        self.table(columns, cells, blocks);
    }

    fn makeup(&self, blocks: &mut Vec<Block>) {
        let lot = &self.report.lot;
        let Some(makeup) = &lot.makeup else { return };
        self.heading(Key::HeadingMakeup, blocks);
        let by = lot.entries.first().copied().into_iter().collect::<Vec<_>>();
        let mut cells: Vec<Vec<Text>> = makeup
            .lots
            .iter()
            .map(|l| {
                let name = Text::mono(l.lot.to_string());
                vec![name, fraction(l.fraction), kg(&l.mass), entry_runs(&by)]
            })
            .collect();
        if !makeup.unknown_fraction.is_zero() {
            let mass = number(lot.made.base() * makeup.unknown_fraction);
            let name = self.t(Key::Unknown).into();
            cells.push(vec![name, fraction(makeup.unknown_fraction), mass, entry_runs(&by)]);
        }
        let columns = vec![
            Column::new(self.t(Key::Lot), 46),
            Column::figures(self.t(Key::Fraction), 18),
            Column::figures(self.t(Key::MassKg), 18),
            Column::new(self.t(Key::Entries), 18),
        ];
        self.table(columns, cells, blocks);
        let Some(refresh) = &lot.refresh else { return };
        let columns = vec![
            Column::new(self.t(Key::From), 46),
            Column::figures(self.t(Key::MassKg), 18),
            Column::figures(self.t(Key::Fresh), 18),
            Column::new(self.t(Key::Entries), 18),
        ];
        let cells = refresh.components.iter().map(|c| {
            let from = Text::mono(c.from.to_string());
            vec![from, kg(&c.mass), fraction(c.fresh_fraction), entry_runs(&by)]
        });
        self.table(columns, cells.collect(), blocks);
        let mut text = format!("{}: {}", self.t(Key::Fresh), refresh.ratio.round_dp(6).normalize());
        if let Some(u) = refresh.expanded_uncertainty {
            text.push_str(&format!(" ± {} (k = 2)", u.round_dp(6).normalize()));
        }
        if let (Some(least), Some(rule)) = (refresh.minimum, refresh.decision_rule) {
            let verdict = match refresh.accepted {
                Some(true) => Key::Accepted,
                Some(false) => Key::Refused,
                None => Key::Undecided,
            };
            let recipe = refresh.recipe.as_ref().map(ToString::to_string).unwrap_or_default();
            let (asked, verdict) = (self.t(Key::Asked), self.t(verdict));
            text.push_str(&format!("; {recipe}: {asked} {least} ({rule}): {verdict}"));
        }
        blocks.push(Block::Paragraph(self.with_entry(text, refresh.recipe_entry)));
    }

    fn now(&self, blocks: &mut Vec<Block>) {
        self.heading(Key::HeadingNow, blocks);
        let reach = &self.report.reach;
        let columns = vec![
            Column::new(self.t(Key::Kind), 50),
            Column::figures(self.t(Key::Places), 20),
            Column::figures(self.t(Key::OfThisLotKg), 30),
        ];
        let mut rows: Vec<Row> = reach
            .where_now
            .iter()
            .map(|k| {
                let kind = Text::mono(&k.kind);
                Row::body(vec![kind, k.places.to_string().into(), kg(&k.traced)])
            })
            .collect();
        let total: Decimal = reach.where_now.iter().map(|k| k.traced.base()).sum();
        rows.push(Row::total(vec![
            "Σ".into(),
            reach.places_total.to_string().into(),
            number(total),
        ]));
        let caption = Text::default();
        blocks.push(Block::Table(Table { caption, columns, rows, row_headings: true }));
        let columns = vec![
            Column::new(self.t(Key::Place), 34),
            Column::figures(self.t(Key::HeldKg), 14),
            Column::figures(self.t(Key::OfThisLotKg), 14),
            Column::figures(self.t(Key::Fraction), 12),
            Column::new(self.t(Key::Standing), 16),
            Column::new(self.t(Key::Entries), 10),
        ];
        let cells = reach.places.iter().map(|p| {
            vec![
                Text::mono(p.place.to_string()),
                kg(&p.held),
                kg(&p.traced),
                fraction(p.fraction),
                self.standing(p),
                entry_runs(&[p.entry]),
            ]
        });
        self.table(columns, cells.collect(), blocks);
        self.cut(reach.places.len(), reach.places_total, blocks);
    }

    fn standing(&self, place: &ReachedPlace) -> Text {
        let mut text = Text::default();
        if place.on_hold {
            text = text.and(Text::bold(self.t(Key::OnHold)));
        }
        if let Some(shipment) = &place.shipment {
            let word = self.t(if place.shipped { Key::Shipped } else { Key::Offered });
            let line = if text.is_empty() { "" } else { "\n" };
            text = text.and(format!("{line}{word} {shipment}"));
        }
        text
    }

    /// Says that a list was cut.
    fn cut(&self, shown: usize, total: usize, blocks: &mut Vec<Block>) {
        if shown < total {
            let text = self.t(Key::Cut);
            let text = text.replace("{shown}", &shown.to_string());
            blocks.push(Block::SmallPrint(text.replace("{total}", &total.to_string()).into()));
        }
    }

    fn builds(&self, blocks: &mut Vec<Block>) {
        self.heading(Key::HeadingBuilds, blocks);
        let reach = &self.report.reach;
        let columns = vec![
            Column::new(self.t(Key::Build), 34),
            Column::figures(self.t(Key::Fraction), 18),
            Column::figures(self.t(Key::PartsKg), 16),
            Column::new(self.t(Key::Standing), 18),
            Column::new(self.t(Key::Entries), 14),
        ];
        let cells = reach.builds.iter().map(|b| {
            let running =
                if b.running { Text::bold(self.t(Key::Running)) } else { Text::default() };
            vec![
                Text::mono(b.build.to_string()),
                fraction(b.fraction),
                kg(&b.parts),
                running,
                entry_runs(&[b.entry]),
            ]
        });
        self.table(columns, cells.collect(), blocks);
        self.cut(reach.builds.len(), reach.builds_total, blocks);
        let columns = vec![
            Column::new(self.t(Key::Blend), 52),
            Column::figures(self.t(Key::Fraction), 28),
            Column::new(self.t(Key::Entries), 20),
        ];
        let cells = reach.lots.iter().map(|l| {
            vec![Text::mono(l.lot.to_string()), fraction(l.fraction), entry_runs(&[l.entry])]
        });
        self.table(columns, cells.collect(), blocks);
        self.cut(reach.lots.len(), reach.lots_total, blocks);
        blocks.push(Block::SmallPrint(self.t(Key::DilutionNote).into()));
    }

    fn balance(&self, blocks: &mut Vec<Block>) {
        self.heading(Key::HeadingBalance, blocks);
        let balance = &self.report.balance;
        let columns = vec![
            Column::new(self.t(Key::Term), 46),
            Column::figures(self.t(Key::InKg), 26),
            Column::figures(self.t(Key::OutKg), 28),
        ];
        let cells = balance.terms.iter().map(|t| {
            let (name, mass) = (Text::mono(t.term.to_string()), kg(&t.mass));
            let none = Text::default();
            if t.comes_in { vec![name, mass, none] } else { vec![name, none, mass] }
        });
        self.table(columns, cells.collect(), blocks);
        let mut pairs = vec![
            (self.t(Key::Unaccounted).into(), Text::bold(self.difference(balance))),
            (self.t(Key::Entries).into(), entry_runs(&balance.entries)),
        ];
        if let Some(u) = &balance.expanded_uncertainty {
            let text = kg(u).and(" kg");
            pairs.insert(1, (self.t(Key::UncertaintyK2).into(), text));
        }
        blocks.push(Block::KeyValues(pairs));
        blocks.push(Block::SmallPrint(self.t(Key::BalanceNote).into()));
    }

    fn difference(&self, balance: &Balance) -> String {
        let verdict = match balance.closed {
            Some(true) => self.t(Key::Closed).to_owned(),
            Some(false) => self.t(Key::Open).to_owned(),
            None => {
                let count = balance.weighings_unstated.to_string();
                self.t(Key::CannotTell).replace("{count}", &count)
            }
        };
        let d = number(balance.unaccounted.base()).characters();
        format!("{d} kg, {verdict}")
    }

    fn moves(&self, blocks: &mut Vec<Block>) {
        self.heading(Key::HeadingMoves, blocks);
        let columns = vec![
            Column::new(self.t(Key::When), 16),
            Column::new(self.t(Key::Move), 11),
            Column::new(self.t(Key::From), 20),
            Column::new(self.t(Key::Into), 20),
            Column::figures(self.t(Key::MassKg), 11),
            Column::figures(self.t(Key::OfThisLotKg), 12),
            Column::new(self.t(Key::Entries), 10),
        ];
        let cells = self.report.moves.iter().map(|m| {
            vec![
                self.moment(m.time_ms).into(),
                m.kind.to_string().into(),
                Text::mono(&m.from),
                Text::mono(&m.into),
                kg(&m.mass),
                kg(&m.traced),
                entry_runs(&[m.entry]),
            ]
        });
        self.table(columns, cells.collect(), blocks);
        let small = &self.report.small_moves;
        if small.moves > 0 {
            let mass = number(small.traced.base()).characters();
            let text = self
                .t(Key::SmallMoves)
                .replace("{below}", &small.below_kg.to_string())
                .replace("{count}", &small.moves.to_string())
                .replace("{mass}", &mass);
            blocks.push(Block::SmallPrint(text.into()));
        }
    }

    fn ends(&self, blocks: &mut Vec<Block>) {
        self.heading(Key::HeadingEnds, blocks);
        let columns = vec![
            Column::new(self.t(Key::Entry), 14),
            Column::new(self.t(Key::CorrectedBy), 20),
            Column::new(self.t(Key::Approver), 26),
            Column::new(self.t(Key::Reason), 40),
        ];
        let cells = self.report.amended.iter().map(|a| {
            let by = Text::mono(a.by_entry.to_string());
            let by = if a.void { by.and(format!(" {}", self.t(Key::Void))) } else { by };
            vec![entry_runs(&[a.entry]), by, Text::mono(&a.approver), a.reason.clone().into()]
        });
        self.table(columns, cells.collect(), blocks);
        let columns = vec![
            Column::new(self.t(Key::Finding), 12),
            Column::new(self.t(Key::Rule), 34),
            Column::new(self.t(Key::Detail), 34),
            Column::new(self.t(Key::Settled), 10),
            Column::new(self.t(Key::Entries), 10),
        ];
        let cells = self.report.findings.iter().map(|f| {
            let settled = match f.settled_by {
                Some(entry) => Text::mono(entry.to_string()),
                None => Text::bold(self.t(Key::OpenFinding)),
            };
            let rule = Text::mono(&f.rule).and(format!("\n{}", f.source));
            let id = Text::mono(&f.id).and(format!("\n{}", f.level));
            vec![id, rule, f.detail.clone().into(), settled, entry_runs(&f.entries)]
        });
        self.table(columns, cells.collect(), blocks);
    }

    fn assumptions(&self, blocks: &mut Vec<Block>) {
        self.heading(Key::HeadingAssumptions, blocks);
        for key in [Key::Assume1, Key::Assume2, Key::Assume3, Key::Assume4] {
            blocks.push(Block::paragraph(self.t(key)));
        }
    }
}
