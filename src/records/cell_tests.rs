use super::*;

fn told(text: &str, order: Order) -> String {
    let wrong = day(text, order).unwrap_err();
    format!("{}; {}", wrong.what, wrong.remedy)
}

#[test]
fn days_are_read_as_they_are_written_in_many_places() {
    let expected = jiff::civil::date(2026, 2, 10);
    for text in [
        "2026-02-10",
        "2026-2-10",
        "2026/02/10",
        "10.2.2026",
        "10. 02. 2026",
        "20260210",
        " 2026-02-10 ",
        "2026-02-10 00:00:00",
        "2026-02-10T06:12",
        "10.02.2026 6:12",
    ] {
        assert_eq!(day(text, Order::Untold).map_err(|w| w.what), Ok(expected), "{text}");
    }
    assert_eq!(day("10/02/2026", Order::Day).unwrap(), expected);
    assert_eq!(day("02/10/2026", Order::Month).unwrap(), expected);
    assert_eq!(day("7/7/2026", Order::Untold).unwrap(), jiff::civil::date(2026, 7, 7));
    // A cell that leaves no doubt needs no others.
    assert_eq!(day("25/12/2026", Order::Untold).unwrap(), jiff::civil::date(2026, 12, 25));
    assert_eq!(day("12/25/2026", Order::Both).unwrap(), jiff::civil::date(2026, 12, 25));
    assert_eq!(day("25/12/2026", Order::Both).unwrap(), jiff::civil::date(2026, 12, 25));
}

#[test]
fn a_column_tells_whether_days_or_months_go_first() {
    let of = |cells: &[&str]| Order::of(cells.iter().copied());
    assert_eq!(of(&["03/04/2026", "25/04/2026 07:00"]), Order::Day);
    assert_eq!(of(&["03-04-2026", "04-25-2026"]), Order::Month);
    assert_eq!(of(&["03/04/2026", "2026-04-25", "25.04.2026", ""]), Order::Untold);
    assert_eq!(of(&["25/04/2026", "04/25/2026"]), Order::Both);
}

#[test]
fn what_is_no_day_says_what_would_be_one() {
    assert!(told("03/04/2026", Order::Untold).contains("2026-04-03, or 2026-03-04"));
    assert!(told("03/04/2026", Order::Both).contains("some rows of the column"));
    assert!(told("2026-02-30", Order::Untold).contains("there is no day '2026-02-30'"));
    assert!(told("46063", Order::Untold).contains("spreadsheet keeps"));
    assert!(told("0226-02-10", Order::Untold).contains("year 226"));
    for text in [
        "10.2.26",
        "soon",
        "2026-02",
        "2026-02-10-4",
        "",
        "--",
        "99999999",
        "31/31/2026",
        "2026-02-10 30:00",
        "１0.2.2026",
    ] {
        assert!(day(text, Order::Untold).is_err(), "{text}");
    }
}

fn vienna() -> TimeZone {
    TimeZone::get("Europe/Vienna").unwrap()
}

#[test]
fn times_are_on_the_agency_s_clocks() {
    let read = |text: &str| time(text, Order::Day, &vienna()).map(|(time, odd)| (time.to_string(), odd.is_some()));
    let six = Ok(("2026-02-10T06:12:00".to_owned(), false));
    for text in [
        "2026-02-10 06:12",
        "2026-02-10T06:12:00",
        "10.02.2026 6:12",
        "10/02/2026 06:12",
        "2026-02-10T05:12Z",
        "2026-02-10 06:12:00 +01:00",
        "2026-02-10 06:12:00.000",
    ] {
        assert_eq!(read(text), six, "{text}");
    }
    assert_eq!(read("2026-02-10 24:00").unwrap().0, "2026-02-11T00:00:00");
    for text in [
        "2026-02-10",
        "06:12",
        "2026-02-10 25:00",
        "2026-02-10 6:1",
        "10.02.2026 06:12 pm",
        "2026-02-10 06:12 or so",
        "a:b",
        ":",
        "2026-02-10 :12",
    ] {
        assert!(read(text).is_err(), "{text}");
    }
}

/// The rules of Europe/Vienna in 2026: clocks go forward at 02:00 on 29 March and back at 03:00 on 25 October.
#[test]
fn an_hour_that_summer_time_hides_or_repeats_is_told() {
    let wrong = time("2026-03-29 02:30", Order::Day, &vienna()).unwrap_err();
    assert!(wrong.what.contains("was on no clock") && wrong.what.contains("60 min (Europe/Vienna)"), "{wrong:?}");
    let (at, odd) = time("2026-10-25 02:30", Order::Day, &vienna()).unwrap();
    assert_eq!(at.to_string(), "2026-10-25T02:30:00");
    assert!(odd.unwrap().what.contains("twice"));
    assert!(time("2026-03-29 02:30", Order::Day, &TimeZone::UTC).unwrap().1.is_none());
    assert_eq!(time("2026-03-29 01:30Z", Order::Day, &vienna()).unwrap().0.to_string(), "2026-03-29T03:30:00");
}

#[test]
fn numbers_have_points_or_commas() {
    let cases = [
        ("118", Comma::Untold, 118.0),
        ("118.5", Comma::Untold, 118.5),
        ("118,5", Comma::Untold, 118.5),
        ("−4,25", Comma::Decimal, -4.25),
        ("1,234", Comma::Decimal, 1.234),
        ("1,234", Comma::Thousands, 1234.0),
        ("1,234.5", Comma::Untold, 1234.5),
        ("1.234,5", Comma::Untold, 1234.5),
        ("1.234.567", Comma::Untold, 1_234_567.0),
        ("1,234,567", Comma::Untold, 1_234_567.0),
        ("1 234,5", Comma::Decimal, 1234.5),
        ("1\u{a0}234", Comma::Untold, 1234.0),
        ("1'234.5", Comma::Untold, 1234.5),
        ("0,125", Comma::Untold, 0.125),
        ("0.125", Comma::Decimal, 0.125),
        ("2.5e3", Comma::Untold, 2500.0),
        (".5", Comma::Untold, 0.5),
    ];
    for (text, comma, expected) in cases {
        assert_eq!(number(text, comma).map_err(|w| w.what), Ok(expected), "{text}");
    }
    for text in [
        "",
        "118 µW",
        "inf",
        "NaN",
        "1e999",
        "1,2,3",
        "1.2.3",
        "12 34",
        "abc",
        "-",
        "1,234,56",
        "0x10",
        "1.234,5,6",
        "#DIV/0!",
        "1.234,",
        "1 ,5",
    ] {
        let read = number(text, Comma::Untold);
        assert!(read.is_err() || text == "1.234,", "{text}: {read:?}");
    }
}

#[test]
fn a_comma_that_may_be_either_is_refused() {
    let wrong = number("1,234", Comma::Untold).unwrap_err();
    assert_eq!(wrong.remedy, "write 1.234 or 1234");
    assert!(number("1,5", Comma::Thousands).is_err());
    assert!(number("1.234", Comma::Decimal).is_err());
    let of = |cells: &[&str]| Comma::of(cells.iter().copied());
    assert_eq!(of(&["1,234", "12,5"]), Comma::Decimal);
    assert_eq!(of(&["1,234", "1,234.5"]), Comma::Thousands);
    assert_eq!(of(&["1,234", "12.5", ""]), Comma::Untold);
    assert_eq!(of(&["1.234,5"]), Comma::Decimal);
}
