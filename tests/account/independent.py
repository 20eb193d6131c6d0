#!/usr/bin/env python3
"""The figures of a real winter, worked out a second time and in another way.

Everything is cut at every instant at which anything changes, which leaves one table of stretches in
which nothing does; each figure is then a sum, an extreme or a run over that table. Written from the
definitions alone, so that two readings of them can be compared; `real_winter.rs` does so.

Usage: independent.py > independent.json
Needs pandas 2.2 or newer. Without it: a line on stderr, status 77.
"""

import datetime
import json
import platform
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

try:
    import numpy as np
    import pandas as pd
except ImportError as missing:
    print(f"independent.py: not run, {missing.name} is missing (needs pandas)", file=sys.stderr)
    sys.exit(77)

DATA = Path(__file__).resolve().parent.parent / "data"
ROOM = "room_indoor_10min_2020-12_2021-05.csv"
OUTDOOR = "outdoor_10min_2020-12_2021-05.csv"
ZONE = ZoneInfo("Europe/Helsinki")
MINUTE = 60_000
HOUR = 60 * MINUTE
TEN = 10 * MINUTE
HOLD = 30 * MINUTE
SIDES = {"cold": ("t", -1), "warm": ("t", 1), "dry": ("rh", -1), "damp": ("rh", 1)}
# What the imagined sensor is sure to, in thousandths of a kelvin and of a point.
ERROR = {"t": 500, "rh": 3000}
# 40 to 52 F and 75 to 85 %, in thousandths.
STORING = {"t": ((40 - 32) / 1.8, (52 - 32) / 1.8), "rh": (75.0, 85.0)}


def ms(text):
    """Milliseconds since 1970 of an instant with its offset."""
    at = datetime.datetime.fromisoformat(text)
    return int(at.timestamp()) * 1000 + at.microsecond // 1000


def written(at):
    """The other way: UTC with milliseconds."""
    at = int(at)
    whole = datetime.datetime.fromtimestamp(at // 1000, datetime.timezone.utc)
    return whole.strftime("%Y-%m-%dT%H:%M:%S") + f".{at % 1000:03d}Z"


def midnight(date):
    """The instant at which a local day begins."""
    return int(datetime.datetime(date.year, date.month, date.day, tzinfo=ZONE).timestamp()) * 1000


def local_date(at):
    return datetime.datetime.fromtimestamp(at // 1000, ZONE).date()


# ---- readings -------------------------------------------------------------------------------------


def measured(name):
    """A measured series: instant in ms, temperature and humidity in thousandths. UTC+2 throughout."""
    rows = pd.read_csv(DATA / name)
    at = pd.to_datetime(rows["t_UTC+2"]).dt.tz_localize(datetime.timezone(datetime.timedelta(hours=2)))
    start = pd.Timestamp(0, tz="UTC")
    return pd.DataFrame(
        {
            "at": (at - start) // pd.Timedelta(1, "ms"),
            "t": (rows["T"] * 1000).round(),
            "rh": (rows["RH"] * 1000).round(),
        }
    )


# The generator of rand() in the C standard's example, ISO/IEC 9899; it only has to be the same twice.
GAPS = [
    ("2021-01-10T03:20:00+02:00", "2021-01-10T10:20:00+02:00"),
    ("2021-02-19T20:00:00+02:00", "2021-02-21T03:00:00+02:00"),
    ("2021-03-27T22:40:00+02:00", "2021-03-28T07:40:00+02:00"),
]


def thinned(rows):
    """Irregular readings: for each row x becomes (1103515245 x + 12345) mod 2^31, beginning at 2020.

    Dropped where (x >> 16) mod 8 is below 3. Moved by (x >> 4) mod 480001 - 240000 ms. Without
    humidity where (x >> 20) mod 16 is 0, without temperature where it is 1. What then lies in one of
    the three gaps is dropped as well.
    """
    x = 2020
    out = []
    gaps = [(ms(a), ms(b)) for a, b in GAPS]
    for row in rows.itertuples(index=False):
        x = (1_103_515_245 * x + 12_345) % 2**31
        at = int(row.at) + (x >> 4) % 480_001 - 240_000
        if (x >> 16) % 8 < 3 or any(a <= at < b for a, b in gaps):
            continue
        which = (x >> 20) % 16
        out.append((at, np.nan if which == 1 else row.t, np.nan if which == 0 else row.rh))
    return pd.DataFrame(out, columns=["at", "t", "rh"])


CORRECTIONS = [
    ("2021-02-01T00:00:00+02:00", 400, -3000),
    ("2021-03-15T00:00:00+02:00", -250, 1500),
]


def corrected(rows):
    """The latest correction at or before a reading is added to it; humidity stays within 0 and 100 %."""
    rows = rows.copy()
    add_t, add_rh = np.zeros(len(rows)), np.zeros(len(rows))
    for since, t, rh in CORRECTIONS:
        later = (rows["at"] >= ms(since)).to_numpy()
        add_t[later], add_rh[later] = t, rh
    rows["t"] += add_t
    rows["rh"] = (rows["rh"] + add_rh).clip(0, 100_000)
    return rows


def held(rows, quantity):
    """What one quantity said, from when until when."""
    stream = rows[["at", quantity]].dropna().rename(columns={"at": "from", quantity: "value"})
    after = stream["from"].shift(-1).fillna(2**62)
    stream["to"] = np.minimum(after, stream["from"] + HOLD).astype("int64")
    return stream


# ---- one table of stretches -----------------------------------------------------------------------


def stretches(rows, stages):
    """The period, cut wherever anything changes. `stages`: (since, band or None for empty) in order."""
    first, last = int(rows["at"].min()), int(rows["at"].max())
    begin = midnight(local_date(first))
    end = midnight(local_date(last) + datetime.timedelta(days=1))
    cuts = [np.arange(begin, end + 1, TEN)]
    streams = {q: held(rows, q) for q in ("t", "rh")}
    for stream in streams.values():
        cuts += [stream["from"].to_numpy(), stream["to"].to_numpy()]
    cuts.append(np.array([since for since, _ in stages], dtype="int64"))
    cuts = np.unique(np.concatenate(cuts).astype("int64"))
    cuts = cuts[(begin <= cuts) & (cuts <= end)]
    table = pd.DataFrame({"from": cuts[:-1], "to": cuts[1:]})
    for quantity, stream in streams.items():
        found = pd.merge_asof(table[["from"]], stream.rename(columns={"to": "until"}), on="from")
        table[quantity] = found["value"].where(found["from"] < found["until"])
    # Before the first stage the first one counts.
    since = np.array([s for s, _ in stages])
    which = np.clip(np.searchsorted(since, table["from"], side="right") - 1, 0, None)
    table["empty"] = np.array([band is None for _, band in stages])[which]
    for quantity in ("t", "rh"):
        for end_of, name in enumerate(("low", "high")):
            limits = [np.nan if b is None else round(1000 * b[quantity][end_of]) for _, b in stages]
            table[f"{quantity}_{name}"] = np.array(limits, dtype=float)[which]
    table["ms"] = table["to"] - table["from"]
    at = pd.to_datetime(table["from"], unit="ms", utc=True).dt.tz_convert(ZONE)
    table["date"] = at.dt.date
    starts = {d: midnight(d) for d in table["date"].unique()}
    table["hour"] = (table["from"] - table["date"].map(starts)) // HOUR
    table["ten"] = (table["from"] - begin) // TEN
    for quantity in ("t", "rh"):
        table[f"{quantity}_on"] = table[quantity].notna() & ~table["empty"]
    table["both"] = table["t_on"] & table["rh_on"]
    table["deficit"] = np.round(1000 * deficit_pa(table["t"] / 1000, table["rh"] / 1000))
    table["spread"] = np.round(1000 * spread_k(table["t"] / 1000, table["rh"] / 1000))
    for side, (quantity, sign) in SIDES.items():
        limit = table[f"{quantity}_{'low' if sign < 0 else 'high'}"]
        beyond = sign * (table[quantity] - limit)
        table[f"{side}_by"] = beyond.where(beyond > 0, 0.0)
        table[f"{side}_sure"] = beyond > ERROR[quantity]
    # A sensor that tells no humidity is judged by temperature alone.
    inside = table["both"] if rows["rh"].notna().any() else table["t_on"]
    for side in SIDES:
        inside &= table[f"{side}_by"] == 0
    table["inside"] = inside
    return table, begin, end


# WMO-No. 8, eq. 4.B.1: saturation over water in Pa, t in C.
def saturation_pa(t):
    return 611.2 * np.exp(17.62 * t / (243.12 + t))


def deficit_pa(t, rh):
    return saturation_pa(t) * (1 - rh / 100)


def spread_k(t, rh):
    """Temperature less dew point."""
    x = np.log(rh / 100) + 17.62 * t / (243.12 + t)
    return np.maximum(t - 243.12 * x / (17.62 - x), 0.0)


# ---- figures --------------------------------------------------------------------------------------


def hours(milliseconds):
    return round(float(milliseconds) / HOUR, 7)


def unit(thousandths, digits=6):
    return None if pd.isna(thousandths) else round(float(thousandths) / 1000, digits)


def extremes(table, quantity):
    """Mean over the time covered, lowest and highest with the first instant each was reached."""
    on = table[table[f"{quantity}_on"]]
    if on.empty:
        return None
    low, high = on[quantity].idxmin(), on[quantity].idxmax()
    return {
        "covered_h": hours(on["ms"].sum()),
        "mean": unit(np.average(on[quantity], weights=on["ms"])),
        "low": unit(on[quantity][low], 3),
        "low_at": written(on["from"][low]),
        "high": unit(on[quantity][high], 3),
        "high_at": written(on["from"][high]),
    }


def excursions(table, side):
    """Unbroken runs of stretches beyond the limit of that side."""
    quantity, sign = SIDES[side]
    out = table[f"{side}_by"] > 0
    run = (out != out.shift()).cumsum()[out]
    found = []
    for _, part in table[out].groupby(run):
        far = (sign * part[quantity]).idxmax()
        before, after = part.index[0] - 1, part.index[-1] + 1
        uncovered = table[quantity].isna()
        found.append(
            {
                "from": written(part["from"].iloc[0]),
                "to": written(part["to"].iloc[-1]),
                "hours": hours(part["ms"].sum()),
                "peak": unit(part[quantity][far], 3),
                "peak_at": written(part["from"][far]),
                "area": round(float((part[f"{side}_by"] * part["ms"]).sum()) / 1000 / HOUR, 6),
                "after_gap": bool(0 <= before and uncovered[before]),
                "before_gap": bool(after < len(table) and uncovered[after]),
            }
        )
    if not found:
        return {"count": 0, "hours": 0.0, "sure_hours": 0.0, "area": 0.0}
    worst = max(found, key=lambda e: sign * e["peak"])
    return {
        "count": len(found),
        "hours": hours(table["ms"][out].sum()),
        "sure_hours": hours(table["ms"][table[f"{side}_sure"]].sum()),
        "area": round(float((table[f"{side}_by"] * table["ms"]).sum()) / 1000 / HOUR, 6),
        "longest": max(found, key=lambda e: e["hours"]),
        "peak": worst["peak"],
        "peak_at": worst["peak_at"],
        "largest": sorted(found, key=lambda e: (-e["area"], e["from"]))[:20],
    }


def gaps(table, covered, begin, end):
    """Stretches of the period, but for empty time, that nothing covers."""
    inner = table[(begin <= table["from"]) & (table["from"] < end)]
    open_ = ~covered[inner.index] & ~inner["empty"]
    run = (open_ != open_.shift()).cumsum()[open_]
    lengths = inner["ms"][open_].groupby(run).sum()
    if lengths.empty:
        return {"count": 0, "total_h": 0.0, "longest_h": 0.0}
    first = inner[open_].groupby(run)["from"].first()
    return {
        "count": len(lengths),
        "total_h": hours(lengths.sum()),
        "longest_h": hours(lengths.max()),
        "longest_from": written(first[lengths.idxmax()]),
    }


def mean_of(part, quantity):
    on = part[part[f"{quantity}_on"]]
    return np.average(on[quantity], weights=on["ms"]) if len(on) else np.nan


def day_row(date, part):
    """One local day; what was read the evening before holds into it."""
    row = {"date": date.isoformat(), "hours": hours(part["ms"].sum())}
    for quantity in ("t", "rh"):
        on = part[part[f"{quantity}_on"]]
        row[quantity] = {
            "mean": unit(mean_of(part, quantity)),
            "low": unit(on[quantity].min(), 3),
            "high": unit(on[quantity].max(), 3),
            "covered_h": hours(on["ms"].sum()),
        }
    row["in_band_h"] = hours(part["ms"][part["inside"]].sum())
    return row


def carpet(table):
    """Mean of each full local hour, by date, in thousandths; null where nothing covers any of it."""
    out = {}
    for quantity in ("t", "rh"):
        on = table[table[f"{quantity}_on"]]
        total = (on[quantity] * on["ms"]).groupby([on["date"], on["hour"]]).sum()
        weight = on["ms"].groupby([on["date"], on["hour"]]).sum()
        of_hour = (total / weight).round(1).to_dict()
        count = table.groupby("date")["hour"].max() + 1
        out[quantity] = {d.isoformat(): [of_hour.get((d, h)) for h in range(n)] for d, n in count.items()}
    return out


def sensor_winter(rows, stages, with_carpet):
    table, begin, end = stretches(rows, stages)
    on = table[table["both"]]
    least = on["spread"].idxmin() if len(on) else None
    t, rh = table["t"].notna(), table["rh"].notna()
    first = int(rows["at"].min())
    last = int(rows["at"].max())
    figures = {
        "period": [written(begin), written(end)],
        "readings": {q: int(rows[q].notna().sum()) for q in ("t", "rh")},
        "span_h": hours(table["ms"][~table["empty"]].sum()),
        "empty_h": hours(table["ms"][table["empty"]].sum()),
        "t": extremes(table, "t"),
        "rh": extremes(table, "rh"),
        "both_covered_h": hours(on["ms"].sum()),
        "either_covered_h": hours(table["ms"][table["t_on"] | table["rh_on"]].sum()),
        "in_band_h": hours(table["ms"][table["inside"]].sum()),
        "sides": {side: excursions(table, side) for side in SIDES},
        # mPa ms to kPa day.
        "deficit_dose_kpa_day": round(float((on["deficit"] * on["ms"]).sum()) / 1e6 / (24 * HOUR), 8),
        "least_spread_k": None if least is None else unit(on["spread"][least], 3),
        "least_spread_at": None if least is None else written(on["from"][least]),
        "gaps": {
            name: {
                "in_period": gaps(table, covered, begin, end),
                "between_first_and_last_reading": gaps(table, covered, first, last),
            }
            for name, covered in (("t", t), ("rh", rh), ("neither", t | rh))
        },
        "days": [day_row(date, part) for date, part in table.groupby("date")],
        "air_of_a_crate": body([table]),
    }
    if with_carpet:
        figures["carpet_thousandths"] = carpet(table)
    return figures


def body(tables):
    """Ten-minute means of a body of air, and what they would have drawn out of a crate."""
    sums = {}
    for table in tables:
        for row in table[["ten", "ms", "t", "rh", "t_on", "rh_on"]].itertuples(index=False):
            bin_ = sums.setdefault(row.ten, {})
            mine = bin_.setdefault(id(table), {"t": 0.0, "t_ms": 0, "rh": 0.0, "rh_ms": 0, "both": 0})
            if row.t_on:
                mine["t"] += row.t * row.ms
                mine["t_ms"] += row.ms
            if row.rh_on:
                mine["rh"] += row.rh * row.ms
                mine["rh_ms"] += row.ms
            if row.t_on and row.rh_on:
                mine["both"] += row.ms
    dose, bins, covered = 0.0, 0, 0.0
    sum_t = sum_rh = 0.0
    for ten in sorted(sums):
        sensors = sums[ten].values()
        t = [s["t"] / s["t_ms"] for s in sensors if s["t_ms"]]
        rh = [s["rh"] / s["rh_ms"] for s in sensors if s["rh_ms"]]
        if not t or not rh:
            continue
        mean_t, mean_rh = sum(t) / len(t), sum(rh) / len(rh)
        bins += 1
        sum_t += mean_t
        sum_rh += mean_rh
        draws = deficit_pa(mean_t / 1000, mean_rh / 1000) / 1000
        dose += draws * TEN / (24 * HOUR)
        covered += draws * max(s["both"] for s in sensors) / (24 * HOUR)
    if bins == 0:
        return None
    return {
        "bins": bins,
        "mean_t": unit(sum_t / bins),
        "mean_rh": unit(sum_rh / bins),
        "dose_of_whole_bins_kpa_day": round(dose, 8),
        "dose_of_covered_time_kpa_day": round(covered, 8),
    }


# ---- cases ----------------------------------------------------------------------------------------


def band(low_c, high_c, low_pct, high_pct):
    return {"t": (low_c, high_c), "rh": (low_pct, high_pct)}


ONE = [(0, STORING)]
THREE = [
    (0, band(12.0, 16.0, 40.0, 55.0)),
    (ms("2021-01-15T12:01:30.250+02:00"), band(9.5, 13.0, 35.0, 45.0)),
    (ms("2021-03-20T07:38:00.000+02:00"), band(12.5, 17.5, 20.0, 34.0)),
]
WITH_EMPTY = [
    THREE[0],
    THREE[1],
    (ms("2021-02-10T10:02:00.000+02:00"), None),
    (ms("2021-02-13T15:47:20.500+02:00"), band(9.5, 13.0, 35.0, 45.0)),
    THREE[2],
]


def spoken(stages):
    return [
        {
            "since": None if since == 0 else written(since),
            "band": None if limits is None else [round(x, 6) for q in ("t", "rh") for x in limits[q]],
        }
        for since, limits in stages
    ]


def main():
    room = measured(ROOM)
    thin = thinned(room)
    mute = room.assign(rh=np.nan)
    cases = {
        "a_as_measured": (room, ONE, ROOM, True),
        "b_thinned": (thin, ONE, ROOM, True),
        "c_thinned_corrected": (corrected(thin), ONE, ROOM, False),
        "d_thinned_three_bands": (thin, THREE, ROOM, False),
        "e_outdoor": (measured(OUTDOOR), ONE, OUTDOOR, False),
        "f_three_bands_and_empty": (room, WITH_EMPTY, ROOM, True),
        "g_temperature_alone": (mute, THREE, ROOM, False),
    }
    result = {
        "about": {
            "made_with": {
                "date": datetime.date.today().isoformat(),
                "numpy": np.__version__,
                "pandas": pd.__version__,
                "python": platform.python_version(),
            },
            "data": {
                ROOM: "CC BY 4.0, source: TRH-database",
                OUTDOOR: "CC BY 4.0, source: Finnish Meteorological Institute open data",
            },
            "zone": "Europe/Helsinki",
            "hold_min": HOLD // MINUTE,
            "sensor_error": {"t": ERROR["t"] / 1000, "rh": ERROR["rh"] / 1000},
            "units": "C, %, K, h, K h or point h (area), kPa day; instants UTC; carpet in thousandths",
            "definitions": [
                "limits are rounded to whole thousandths before anything is held against them",
                "period: from the local midnight before the first reading to the one after the last",
                "empty time counts for nothing: not covered, not a gap, no extremes",
                "in band: both quantities held, both inside; temperature alone where humidity is never told",
                "excursions are neither begun nor ended by a gap where the room is called empty",
                "deficit and spread: of the two values held at an instant, wherever both are",
                "peak: the highest (warm, damp) or lowest (cold, dry) value, whatever the limit then was",
                "after_gap and before_gap: nothing of that quantity is held just before or after",
            ],
            "tolerances": {
                "whatever the program rounds to thousandths": 0.000501,
                "instants, counts, low, high, peak": 0,
                "hours": 1e-6,
                "mean": 2e-6,
                "area": 1e-5,
                "dose": 1e-7,
                "least_spread_k": 0.0011,
                "carpet": 0.6,
            },
        },
        "cases": {},
    }
    tables = {}
    for name, (rows, stages, source, with_carpet) in cases.items():
        figures = sensor_winter(rows, stages, with_carpet)
        figures["source"] = source
        figures["stages"] = spoken(stages)
        result["cases"][name] = figures
    for name in ("a_as_measured", "c_thinned_corrected"):
        tables[name] = stretches(cases[name][0], ONE)[0]
    result["two_sensors_in_one_air"] = {"sensors": list(tables), **body(list(tables.values()))}
    print(laid_out(result))


def laid_out(value, depth=0):
    """JSON with sorted keys; what is short stands in one line, so that differences are read easily."""
    one = json.dumps(value, sort_keys=True, allow_nan=False)
    if not isinstance(value, (dict, list)) or len(one) + 2 * depth <= 240:
        return one
    pad = "  " * (depth + 1)
    if isinstance(value, dict):
        inner = [f"{pad}{json.dumps(k)}: {laid_out(value[k], depth + 1)}" for k in sorted(value)]
        return "{\n" + ",\n".join(inner) + "\n" + "  " * depth + "}"
    if all(not isinstance(v, (dict, list)) for v in value):
        return one
    inner = [pad + laid_out(v, depth + 1) for v in value]
    return "[\n" + ",\n".join(inner) + "\n" + "  " * depth + "]"


if __name__ == "__main__":
    main()
