//! The figures as a page of text.

use std::fmt::Write as _;

use overwinter::watch::{Kind, Priority};

use crate::{
    Compared,
    plain::{Of, Rule, Tuned},
    score::{Case, Found, HARMS, Score},
};

/// One run: every notice with hours since the incident began, and every harm.
pub(crate) fn of_case(case: &Case) -> String {
    let run = &case.run;
    let from = run.incident_from_ms.unwrap_or(run.readings[0].at_ms);
    let hours = |at: i64| (at - from) as f64 / 3.6e6;
    let to = run.incident_to_ms.map_or(0.0, hours);
    let name = case.scenario.name;
    let mut out = format!("{name} {} (over {to:.0})\n", case.scenario.seed);
    for harm in &run.harms {
        let _ = writeln!(out, "    {:6.1} h HARM {:?}", hours(harm.at_ms), harm.kind);
    }
    for n in &case.notices {
        let wrong = if case.is_false(n) { "false" } else { "" };
        let (at, how) = (hours(n.at_ms), n.priority.as_str());
        let _ = writeln!(out, "    {at:6.1} h {} {how} {wrong}", n.kind);
    }
    out
}

fn cell(found: Option<&Found>) -> String {
    let Some(found) = found else {
        return String::new();
    };
    let lead = found.median_lead_h();
    let lead = lead.map_or("-".to_owned(), |h| format!("{h:.1}"));
    format!("{}/{} {lead:>6}", found.found, found.came)
}

fn setting(rule: &Rule) -> String {
    let side = if rule.below { "below" } else { "above" };
    let (what, unit, limit) = match rule.of {
        Of::Air => ("air", "F", rule.limit * 1.8 + 32.0),
        Of::Probe => ("probe", "F", rule.limit * 1.8 + 32.0),
        Of::Humidity => ("air", "%", rule.limit),
    };
    let hours = rule.delay_ms as f64 / 3.6e6;
    format!("{what} {side} {limit:.0} {unit} for {hours} h")
}

/// Damp is told once, whether for sweating or for mould: of these two only the worse is counted.
pub(crate) fn tuned_false(tuned: &[Tuned], of: impl Fn(&Score) -> usize) -> usize {
    let damp = |t: &&Tuned| t.rule.kind == Kind::RotRisk;
    let worst = tuned.iter().filter(damp).map(|t| of(&t.score)).max();
    let others = tuned.iter().filter(|t| !damp(t)).map(|t| of(&t.score));
    others.sum::<usize>() + worst.unwrap_or(0)
}

/// A kind of harm in the runs of one name.
type Key = (&'static str, usize);

fn found_by<'a>(tuned: &'a [Tuned], key: &Key) -> Option<&'a Found> {
    let of_harm = tuned.iter().find(|t| t.harm as usize == key.1);
    of_harm.and_then(|t| t.score.found.get(key))
}

/// The ways of tuning that the models do not speak earlier than.
pub(crate) fn not_earlier_than(compared: &Compared, key: &Key) -> Vec<&'static str> {
    let own = compared.models.found[key].start_h();
    let later = |tuned: &[Tuned]| own <= found_by(tuned, key).map_or(0.0, Found::start_h);
    let all = compared.tuned.iter().filter(|(_, tuned)| later(tuned));
    all.map(|(to, _)| *to).collect()
}

pub(crate) fn of(compared: &Compared) -> String {
    let mut out = String::new();
    let mut line = |text: String| {
        out.push_str(text.trim_end());
        out.push('\n');
    };
    let Compared {
        cases,
        models,
        with_low,
        plain,
        tuned,
    } = compared;
    let row = |first: String, cells: &mut dyn Iterator<Item = String>, end: &str| {
        let cells = cells.map(|cell| format!(" | {cell:<12}"));
        format!("{first}{} | {end}", cells.collect::<String>())
    };

    line("Found of came, and median lead in hours".to_owned());
    let names = ["models", "with low", "plain"].map(str::to_owned);
    let tuned_names = || tuned.iter().map(|(to, _)| (*to).to_owned());
    line(row(
        format!("{:<19} {:<9}", "incident", "harm"),
        &mut names.into_iter().chain(tuned_names()),
        "",
    ));
    for key in models.found.keys() {
        let harm = HARMS.into_iter().find(|h| *h as usize == key.1).unwrap();
        let own = [models, with_low, plain].map(|score| cell(score.found.get(key)));
        let theirs = tuned.iter().map(|(_, tuned)| cell(found_by(tuned, key)));
        let later = not_earlier_than(compared, key);
        let later = match later.len() {
            0 => String::new(),
            n if n == tuned.len() => "not earlier".to_owned(),
            _ => format!("not earlier than {}", later.join(", ")),
        };
        line(row(
            format!("{:<19} {:<9}", key.0, format!("{harm:?}")),
            &mut own.into_iter().chain(theirs),
            &later,
        ));
    }

    for (to, tuned) in tuned {
        line(format!("\nThe plain threshold {to}"));
        for t in tuned {
            let wanted = models.of_harm(t.harm);
            let has = t.score.of_harm(t.harm);
            line(format!(
                "{:<9} {:<28} finds {:>2}, models {:>2} of {:>2}; false {:>2}{}",
                format!("{:?}", t.harm),
                setting(&t.rule),
                has.found,
                wanted.found,
                wanted.came,
                t.score.false_ones(),
                match (t.reaches, *to) {
                    (true, _) => "",
                    (_, "tuned to it") => "; none finds as many",
                    _ => "; not as many",
                },
            ));
        }
    }

    line("\nFalse notices a week".to_owned());
    let tuned_names = tuned_names().map(|to| format!(" {to:>13}"));
    line(format!(
        "{:<19} {:>6} {:>7} {:>7}{}",
        "runs",
        "weeks",
        "models",
        "plain",
        tuned_names.collect::<String>()
    ));
    let mut names: Vec<&str> = cases.iter().map(|c| c.scenario.name).collect();
    names.dedup();
    let mut week = |name: &str, weeks: f64, of: &dyn Fn(&Score) -> usize| {
        let a_week = |count: usize| count as f64 / weeks;
        let theirs = tuned.iter().map(|(_, tuned)| tuned_false(tuned, of));
        let theirs = theirs.map(|count| format!(" {:>13.2}", a_week(count)));
        line(format!(
            "{name:<19} {weeks:>6.1} {:>7.2} {:>7.2}{}",
            a_week(of(models)),
            a_week(of(plain)),
            theirs.collect::<String>(),
        ));
    };
    for name in names {
        let of_name = |c: &&Case| c.scenario.name == name;
        let weeks = cases.iter().filter(of_name).map(Case::weeks).sum();
        week(name, weeks, &|s: &Score| s.false_in(name));
    }
    week(
        "all",
        cases.iter().map(Case::weeks).sum(),
        &Score::false_ones,
    );

    line("\nFalse notices of the models, by run and kind".to_owned());
    for ((name, kind), count) in &models.wrong {
        line(format!("{name:<19} {:<9} {count}", kind.as_str()));
    }
    line(format!(
        "In {} of those about sweating something was within 1.5 K of the dew point, as they said; no harm came.",
        models.near
    ));
    let quiet = |c: &&Case| c.scenario.incident.is_some() && c.run.incident_from_ms.is_none();
    match cases.iter().filter(quiet).count() {
        0 => {}
        n => line(format!(
            "In {n} runs with thaw venting no mild damp air came: nothing happened, and every notice is false."
        )),
    }
    let count = |low: bool| {
        let all = cases.iter().flat_map(|c| &c.notices);
        all.filter(|n| (n.priority == Priority::Low) == low).count()
    };
    let weeks = cases.iter().map(Case::weeks).sum::<f64>();
    line(format!(
        "\nEverything the models say, true or false: {:.1} a week to act on and {:.1} for the morning.",
        count(false) as f64 / weeks,
        count(true) as f64 / weeks
    ));
    out
}
