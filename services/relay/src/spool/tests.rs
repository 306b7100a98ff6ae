use super::*;
use crate::parcel::Head;

/// A folder in memory where there is one: these tests sync a thousand times, and pull no plug.
fn place() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap()
}

const ROOMY: u64 = 1 << 30;

fn parcel(id: &str) -> Parcel {
    let head =
        Head { from: "press-1".into(), taken_ms: 0, prefer: None, signature: None, whole: false };
    Parcel { head, events: vec![format!(r#"{{"id":"{id}"}}"#).into_bytes()] }
}

fn parcels(ids: std::ops::Range<u32>) -> Vec<Parcel> {
    ids.map(|id| parcel(&id.to_string())).collect()
}

fn waiting(spool: &Spool) -> Vec<Parcel> {
    spool.waiting(usize::MAX, usize::MAX).unwrap().into_iter().map(|one| one.parcel).collect()
}

fn damaged(folder: &Path) -> Vec<Vec<u8>> {
    let Ok(items) = fs::read_dir(folder.join("damaged")) else { return Vec::new() };
    items.map(|item| fs::read(item.unwrap().path()).unwrap()).collect()
}

fn only_segment(folder: &Path) -> PathBuf {
    let segments = segments_in(folder).unwrap();
    assert_eq!(segments.len(), 1);
    segment_path(folder, segments[0])
}

#[test]
fn what_was_taken_is_there_after_a_restart_in_order() {
    let folder = place();
    let spool = Spool::open(folder.path(), ROOMY).unwrap();
    let appended = spool.append(&parcels(0..3)).unwrap();
    assert_eq!(appended, Appended { new: 3, known: 0 });
    spool.append(&parcels(3..5)).unwrap();
    assert_eq!(waiting(&spool), parcels(0..5));
    assert!(matches!(Spool::open(folder.path(), ROOMY), Err(SpoolError::InUse(_))));

    drop(spool);
    let spool = Spool::open(folder.path(), ROOMY).unwrap();
    assert_eq!(waiting(&spool), parcels(0..5));
    spool.delivered(&spool.waiting(2, usize::MAX).unwrap()).unwrap();
    spool.append(&parcels(5..6)).unwrap();
    assert_eq!(waiting(&spool), parcels(2..6));

    drop(spool);
    let spool = Spool::open(folder.path(), ROOMY).unwrap();
    assert_eq!(waiting(&spool), parcels(2..6));
    spool.delivered(&spool.waiting(9, usize::MAX).unwrap()).unwrap();
    drop(spool);
    let spool = Spool::open(folder.path(), ROOMY).unwrap();
    assert_eq!(spool.standing(), Standing { bytes_max: ROOMY, ..Standing::default() });
    assert!(segments_in(folder.path()).unwrap().is_empty(), "nothing is left behind");
}

#[test]
fn the_same_parcel_is_taken_once_while_it_waits() {
    let folder = place();
    let spool = Spool::open(folder.path(), ROOMY).unwrap();
    spool.append(&[parcel("a"), parcel("a"), parcel("b")]).unwrap();
    assert_eq!(spool.append(&[parcel("a")]).unwrap(), Appended { new: 0, known: 1 });
    drop(spool);
    let spool = Spool::open(folder.path(), ROOMY).unwrap();
    assert_eq!(spool.append(&[parcel("b")]).unwrap(), Appended { new: 0, known: 1 });
    assert_eq!(waiting(&spool), [parcel("a"), parcel("b")]);
    // Once it is delivered the recorder knows it, so nobody has to remember it here.
    spool.delivered(&spool.waiting(9, usize::MAX).unwrap()).unwrap();
    assert_eq!(spool.append(&[parcel("a")]).unwrap(), Appended { new: 1, known: 0 });
}

#[test]
fn a_tail_torn_at_any_byte_costs_only_the_torn_frames() {
    let whole = place();
    Spool::open(whole.path(), ROOMY).unwrap().append(&parcels(0..4)).unwrap();
    let bytes = fs::read(only_segment(whole.path())).unwrap();
    let ends: Vec<usize> = frame::scan(&bytes).0.iter().map(|frame| frame.place.end).collect();
    for cut in 0..=bytes.len() {
        let folder = place();
        // The file may be longer than what was written: zeros behind the cut are no loss.
        let zeros = [0; 100];
        let behind = if cut % 2 == 0 { &zeros[..] } else { &[] };
        let torn = [&bytes[..cut], behind].concat();
        fs::write(segment_path(folder.path(), 0), &torn).unwrap();
        let spool = Spool::open(folder.path(), ROOMY).unwrap();
        let kept = ends.iter().filter(|end| **end <= cut).count() as u32;
        assert_eq!(waiting(&spool), parcels(0..kept), "cut at {cut}");
        let last_end = if kept == 0 { 0 } else { ends[kept as usize - 1] };
        let torn_off: Vec<Vec<u8>> = if torn[last_end..].iter().all(|byte| *byte == 0) {
            Vec::new()
        } else {
            vec![torn[last_end..].to_vec()]
        };
        assert_eq!(damaged(folder.path()), torn_off, "cut at {cut}: torn bytes are kept");

        // What was not acknowledged is sent again and stands behind what was.
        spool.append(&parcels(kept..4)).unwrap();
        drop(spool);
        let spool = Spool::open(folder.path(), ROOMY).unwrap();
        assert_eq!(waiting(&spool), parcels(0..4), "cut at {cut}");
    }
}

#[test]
fn a_rotten_frame_costs_no_other() {
    let folder = place();
    Spool::open(folder.path(), ROOMY).unwrap().append(&parcels(0..4)).unwrap();
    let path = only_segment(folder.path());
    let mut bytes = fs::read(&path).unwrap();
    let second = frame::scan(&bytes).0[1].clone();
    bytes[second.place.start + 30] ^= 1;
    fs::write(&path, &bytes).unwrap();
    let spool = Spool::open(folder.path(), ROOMY).unwrap();
    assert_eq!(waiting(&spool), [parcel("0"), parcel("2"), parcel("3")]);
    assert_eq!(spool.standing().damaged, 1);
    assert_eq!(damaged(folder.path()), [bytes[second.place].to_vec()]);
}

#[test]
fn a_frame_that_rots_while_it_waits_is_kept_aside_and_does_not_stop_the_others() {
    let folder = place();
    let spool = Spool::open(folder.path(), ROOMY).unwrap();
    spool.append(&parcels(0..3)).unwrap();
    let file = OpenOptions::new().write(true).open(only_segment(folder.path())).unwrap();
    file.write_all_at(b"?", 25).unwrap();
    assert_eq!(waiting(&spool), parcels(1..3));
    assert_eq!(damaged(folder.path()).len(), 1);
    spool.delivered(&spool.waiting(9, usize::MAX).unwrap()).unwrap();
    assert_eq!(spool.standing().parcels, 0);
}

#[test]
fn a_full_spool_takes_nothing_until_something_is_delivered() {
    let folder = place();
    let (segment_bytes, bytes_max) = (400, 1_600);
    let spool = Spool::open_with(folder.path(), bytes_max, segment_bytes).unwrap();
    let mut taken = 0;
    while spool.append(&[parcel(&taken.to_string())]).is_ok() {
        taken += 1;
    }
    assert_eq!(spool.append(&[parcel("more")]), Err(AppendError::Full));
    assert_eq!(spool.append(&[parcel("0")]).unwrap().known, 1, "one that is there stays taken");
    let standing = spool.standing();
    assert!(standing.bytes <= bytes_max && standing.bytes > bytes_max - 100, "{standing:?}");
    assert_eq!(waiting(&spool), parcels(0..taken));

    // Room comes back segment by segment, also when every delivered parcel is in an older run.
    drop(spool);
    let spool = Spool::open_with(folder.path(), bytes_max, segment_bytes).unwrap();
    for next in taken..taken + 100 {
        spool.delivered(&spool.waiting(8, usize::MAX).unwrap()).unwrap();
        spool.append(&[parcel(&next.to_string())]).unwrap();
    }
    assert!(segments_in(folder.path()).unwrap().len() <= 2);
}

#[test]
fn a_lost_cursor_repeats_and_loses_nothing() {
    let folder = place();
    let spool = Spool::open(folder.path(), ROOMY).unwrap();
    spool.append(&parcels(0..4)).unwrap();
    spool.delivered(&spool.waiting(2, usize::MAX).unwrap()).unwrap();
    drop(spool);
    for cursor in ["", "torn\u{0}"] {
        fs::write(folder.path().join("cursor"), cursor).unwrap();
        let spool = Spool::open(folder.path(), ROOMY).unwrap();
        let there = waiting(&spool);
        assert!(there.ends_with(&parcels(2..4)), "{there:?}");
    }
}

#[test]
fn a_delivery_is_bounded_in_number_and_bytes() {
    let folder = place();
    let spool = Spool::open(folder.path(), ROOMY).unwrap();
    spool.append(&parcels(0..9)).unwrap();
    assert_eq!(spool.waiting(3, usize::MAX).unwrap().len(), 3);
    assert_eq!(spool.waiting(9, 0).unwrap().len(), 1, "the first goes, however long it is");
    let two = 2 * parcel("0").body_len();
    assert_eq!(spool.waiting(9, two).unwrap().len(), 2);
}

#[test]
fn many_threads_share_syncs_and_none_is_lost() {
    let folder = place();
    let spool = Spool::open_with(folder.path(), ROOMY, 2_000).unwrap();
    std::thread::scope(|scope| {
        for thread in 0..4 {
            let spool = &spool;
            scope.spawn(move || {
                for n in 0..50 {
                    spool.append(&[parcel(&format!("{thread}-{n}"))]).unwrap();
                }
            });
        }
    });
    let found = waiting(&spool);
    assert_eq!(found.len(), 200);
    for thread in 0..4 {
        let of_one: Vec<Parcel> = (0..50).map(|n| parcel(&format!("{thread}-{n}"))).collect();
        let found: Vec<&Parcel> = found.iter().filter(|p| of_one.contains(p)).collect();
        assert_eq!(found, of_one.iter().collect::<Vec<_>>(), "the order of one sender is kept");
    }
}
