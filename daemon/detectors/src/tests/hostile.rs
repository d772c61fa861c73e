//! Detectors that want to harm: each is stopped, for a reason in clear words, and nothing else is.

use super::fixture::{
    ASSESSMENT, CONFIGURED, DESCRIPTION, ENDLESS, EVIDENCE, Handmade, REASON, REFUSED, SIGNALS, TEXTS,
    loader, name, number, words,
};
use crate::{Instance, Pin, StartError};
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::Verdict;

fn with(change: impl FnOnce(&mut Handmade)) -> Handmade {
    let mut detector = Handmade::default();
    change(&mut detector);
    detector
}

fn load_refusal(change: impl FnOnce(&mut Handmade)) -> String {
    with(change).load().unwrap_err().to_string()
}

fn start_refusal(change: impl FnOnce(&mut Handmade)) -> String {
    let module = with(change).load().unwrap();
    Instance::new(&module, "{}", [name("power")].into()).unwrap_err().to_string()
}

/// Shows one reading and asks, with a neighbour of the same sandbox asked before and after.
fn fault(change: impl FnOnce(&mut Handmade)) -> String {
    let mut neighbour = Handmade::default().instance();
    neighbour.observe(&[number(1, 5.0)]).unwrap();
    let mut hostile = with(change).instance();
    let fault =
        hostile.observe(&[number(1, 5.0)]).and_then(|()| hostile.assess(Moment(2)).map(drop)).unwrap_err();
    let again = hostile.assess(Moment(3)).unwrap_err().to_string();
    assert!(
        again == "assess stopped: it had stopped before" || again == fault.to_string(),
        "what stopped stays stopped: {again}"
    );
    neighbour.observe(&[number(2, 5.0), number(3, 5.0)]).unwrap();
    assert_eq!(&*neighbour.assess(Moment(4)).unwrap().reason, "seen 3");
    fault.to_string()
}

#[test]
fn an_endless_loop_is_stopped_wherever_it_is() {
    assert_eq!(
        load_refusal(|d| d.describe = ENDLESS.into()),
        "cannot introduce itself: describe took longer than 50 ms"
    );
    assert_eq!(
        load_refusal(|d| d.items = format!("(start $start) (func $start {ENDLESS})")),
        "cannot introduce itself: its start took longer than 50 ms"
    );
    assert_eq!(start_refusal(|d| d.configure = ENDLESS.into()), "configure took longer than 50 ms");
    assert_eq!(fault(|d| d.observe = ENDLESS.into()), "observe took longer than 50 ms");
    assert_eq!(fault(|d| d.assess = ENDLESS.into()), "assess took longer than 50 ms");
}

#[test]
fn memory_and_tables_are_bounded() {
    let bomb = "(loop $more (drop (memory.grow (i32.const 16))) (br $more)) (unreachable)";
    assert_eq!(fault(|d| d.assess = bomb.into()), "assess used more than 16 MiB of memory");
    let born_fat = "(table 30000 funcref)";
    assert_eq!(
        load_refusal(|d| d.items = born_fat.into()),
        "cannot introduce itself: its start used more than 20000 table entries"
    );
    let table_bomb =
        "(loop $more (drop (table.grow $t (ref.null func) (i32.const 1000))) (br $more)) (unreachable)";
    let refusal = fault(|d| {
        d.items = "(table $t 1 funcref)".into();
        d.assess = table_bomb.into();
    });
    assert_eq!(refusal, "assess used more than 20000 table entries");
}

#[test]
fn a_detector_that_crashes_says_how() {
    assert_eq!(fault(|d| d.assess = "(unreachable)".into()), "assess panicked");
    assert_eq!(
        fault(|d| d.assess = "(i32.load (i32.const -8))".into()),
        "assess read or wrote outside its memory"
    );
    assert_eq!(
        fault(|d| d.assess = "(i32.div_u (i32.const 1) (i32.const 0))".into()),
        "assess stopped: integer divide by zero"
    );
    let recursion =
        "(func $deeper (param i64) (result i32) (i32.add (i32.const 1) (call $deeper (local.get 0))))";
    let refusal = fault(|d| {
        d.items = recursion.into();
        d.assess = "(call $deeper (i64.const 0))".into();
    });
    assert_eq!(refusal, "assess recursed too deeply");
}

#[test]
fn an_answer_outside_the_contract_is_a_fault() {
    let assessment = |fields: [usize; 10]| {
        fault(move |d| {
            d.assess = format!("(i32.const {ASSESSMENT})");
            d.data.push((ASSESSMENT, words(&fields)));
        })
    };
    assert_eq!(
        fault(|d| d.assess = "(i32.const -40)".into()),
        "assess broke the contract: pointer out of bounds of memory"
    );
    assert_eq!(
        assessment([7, REASON, 6, EVIDENCE, 0, 0, 0, 0, 0, 0]),
        "assess broke the contract: unexpected discriminant: 7"
    );
    assert_eq!(
        assessment([1, 0x7fff_0000, 6, EVIDENCE, 0, 0, 0, 0, 0, 0]),
        "assess broke the contract: string pointer/length out of bounds of memory"
    );
    assert_eq!(
        assessment([1, REASON, 6, EVIDENCE, 0x0fff_ffff, 0, 0, 0, 0, 0]),
        "assess broke the contract: list pointer/length out of bounds of memory"
    );
    assert_eq!(
        assessment([1, TEXTS, 200_000, EVIDENCE, 0, 0, 0, 0, 0, 0]),
        "assess handed back more than 64 KiB"
    );
    let evidence = |reading: [usize; 8]| {
        fault(move |d| {
            d.data.push((EVIDENCE, words(&reading)));
            d.data.push((ASSESSMENT, words(&[1, REASON, 6, EVIDENCE, 1, 0, 0, 0, 0, 0])));
        })
    };
    assert_eq!(evidence([7, 0, 1, 0, 0, 0, 0, 0]), "assess broke the contract: evidence from signal 7 of 1");
    assert_eq!(evidence([0, 0, 9, 0, 0, 0, 0, 0]), "assess broke the contract: evidence from the future");
    assert_eq!(
        evidence([0, 0, 1, 0, 0, 0, 0, 0x7ff8_0000]),
        "assess broke the contract: evidence that is no number"
    );
    let not_utf8 = fault(|d| d.data.push((REASON, vec![0xff, 0xfe])));
    assert!(not_utf8.starts_with("assess broke the contract: invalid utf-8"), "{not_utf8}");
}

#[test]
fn what_is_merely_too_much_is_cut() {
    let mut talker = with(|d| {
        // A reason of 60,000 bytes, evidence of 100 readings and a prediction of 500 million years.
        d.data.push((
            ASSESSMENT,
            words(&[0, 0x2000, 60_000, EVIDENCE, 100, 0, 1, 0, 0xffff_ffff, 0xffff_ffff]),
        ));
        d.data.push((0x2000, b"\x1b[2J".repeat(15_000)));
        d.assess = format!("(i32.const {ASSESSMENT})");
    })
    .instance();
    let assessment = talker.assess(Moment(5));
    // 60,000 bytes and 100 readings of 32 are still below what one call may hand back.
    let assessment = assessment.unwrap();
    assert_eq!(assessment.verdict, Verdict::Busy);
    assert_eq!(assessment.reason.chars().count(), 200);
    assert!(assessment.reason.starts_with("\u{fffd}[2J") && assessment.reason.ends_with('…'));
    assert_eq!(assessment.evidence.len(), 8);
    assert_eq!(assessment.clears_in, None);
    let near = with(|d| d.data.push((ASSESSMENT, words(&[0, REASON, 6, EVIDENCE, 0, 0, 1, 0, 90_000, 0]))));
    assert_eq!(near.instance().assess(Moment(5)).unwrap().clears_in, Some(Span(90_000)));
}

#[test]
fn settings_are_refused_in_the_detectors_own_words() {
    let refused = with(|d| d.configure = format!("(i32.const {REFUSED})")).load().unwrap();
    let start = |settings: &str, signals: &[&str]| {
        Instance::new(&refused, settings, signals.iter().map(|signal| name(signal)).collect()).unwrap_err()
    };
    assert_eq!(start("{}", &["power"]), StartError::Refused("Counts.".into()));
    assert_eq!(start("{}", &["power"]).to_string(), "it refuses its settings: Counts.");
    assert_eq!(start("{}", &[]).to_string(), "it declares 1 signals, but 0 were connected");
    let long = "x".repeat(40_000);
    assert_eq!(start(&long, &["power"]).to_string(), "its settings have 40000 bytes; they may have 32768");
    assert_eq!(
        start_refusal(|d| d.data.push((CONFIGURED, words(&[3])))),
        "configure broke the contract: invalid expected discriminant"
    );
}

#[test]
fn a_file_that_is_no_detector_says_what_it_is() {
    assert_eq!(
        load_refusal(|d| d.contract = "2.0.0"),
        "was built against detector contract 2.0.0; this Idlegate speaks 1.0.0"
    );
    let bare = wat::parse_str("(module (func))").unwrap();
    assert_eq!(
        loader().load(&bare, Pin::None).unwrap_err().to_string(),
        "is no busy detector: it does not export idlegate:detector/busy-detector@1.0.0; in Rust, idlegate_detector::register!(…) \
         does it"
    );
    let hollow =
        r#"(component (instance $i) (export "idlegate:detector/busy-detector@1.0.0" (instance $i)))"#;
    let hollow = loader().load(&wat::parse_str(hollow).unwrap(), Pin::None).unwrap_err().to_string();
    assert!(hollow.starts_with("does not fit detector contract 1.0.0: "), "{hollow}");
    let wide = wat::parse_str(r#"(component (core module (memory i64 1)) (export "idlegate:detector/busy-detector@1.0.0" (core module 0)))"#).unwrap();
    let wide = loader().load(&wide, Pin::None).unwrap_err().to_string();
    assert!(wide.starts_with("cannot be compiled: ") && wide.contains("memory64"), "{wide}");
    let nameless = load_refusal(|d| d.data.push((DESCRIPTION, words(&[TEXTS, 0]))));
    assert!(
        nameless.starts_with("introduces itself wrongly: its own name: \"\" is not a name"),
        "{nameless}"
    );
    assert_eq!(
        load_refusal(|d| d.data.push((SIGNALS, words(&[TEXTS + 20, 5, 9])))),
        "cannot introduce itself: describe broke the contract: unexpected discriminant: 9"
    );
}

#[test]
fn a_pinned_file_is_taken_only_unchanged() {
    let file = Handmade::default().file();
    let sha256 = loader().load(&file, Pin::None).unwrap().sha256().to_owned();
    assert!(loader().load(&file, Pin::ByRules(&sha256.to_uppercase())).is_ok());
    let changed = with(|d| d.data.push((0x40, vec![1]))).file();
    let refusal = loader().load(&changed, Pin::AsRead(&sha256)).unwrap_err().to_string();
    assert!(refusal.starts_with("has SHA-256 ") && refusal.ends_with(&format!("but the rules pin {sha256}")));
}

#[test]
fn a_cut_or_scribbled_file_never_harms_the_host() {
    let whole = Handmade::default().file();
    // Cut before its types, or after them and before the producers' section, it is a whole module; the host adds types.
    let taken = (0..whole.len()).filter(|length| loader().load(&whole[..*length], Pin::None).is_ok());
    let taken: Vec<usize> = taken.collect();
    assert_eq!(taken.len(), 2, "{taken:?}");
    let mut random = 0x2545_f491_4f6c_dd1d_u64;
    let mut next = move || {
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        usize::try_from(random >> 33).unwrap()
    };
    let mut loaded = 0;
    for _ in 0..300 {
        let mut scribbled = whole.clone();
        for _ in 0..=next() % 3 {
            let at = next() % scribbled.len();
            scribbled[at] = u8::try_from(next() % 256).unwrap();
        }
        // What loads all the same must still be harmless to run.
        let Ok(module) = loader().load(&scribbled, Pin::None) else { continue };
        loaded += 1;
        let signals = vec![name("power"); module.description().signals.len()];
        if let Ok(mut instance) = Instance::new(&module, "{}", signals.into()) {
            let _ = instance.observe(&[number(1, 5.0)]).and_then(|()| instance.assess(Moment(2)).map(drop));
        }
    }
    assert!(loaded > 0, "some scribbles hit data only");
}
