"""Figures of many scored slider sweeps: what was found, what was false, how loud, how soon."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import optimize, stats

from sigkit.measures.slider.floor import MOVED_DB

JUMP_CENTS, JUMP_S = 30.0, 0.020
DROPOUT_S = 0.005
FLOOR_S = 0.010  # the stated floor speaks of wideband bursts of this length


def poisson_limits(count, exposure, share=0.95):
    """Exact two-sided limits of a rate."""
    low = stats.chi2.ppf((1 - share) / 2, 2 * count) / 2 if count else 0.0
    return low / exposure, stats.chi2.ppf((1 + share) / 2, 2 * count + 2) / 2 / exposure


def binomial_limits(hits, count):
    """Exact 95 % limits of a share (Clopper and Pearson)."""
    if not count:
        return 0.0, 1.0
    interval = stats.binomtest(int(hits), int(count)).proportion_ci()
    return interval.low, interval.high


def planted_of(scored):
    """All planted events, one table; sweeps without any give none."""
    tables = [s.planted.assign(controls=s.controls) for s in scored if len(s.planted)]
    return pd.concat(tables, ignore_index=True) if tables else scored[0].planted


def alarms_of(scored):
    tables = [s.alarms for s in scored if len(s.alarms)]
    return pd.concat(tables, ignore_index=True) if tables else scored[0].alarms


def asked_jumps(planted):
    return (
        (planted["kind"] == "pitch jump")
        & (planted["size_cents"].abs() >= JUMP_CENTS)
        & (planted["held_s"] >= JUMP_S)
    )


def asked_dropouts(planted):
    return (planted["kind"] == "dropout") & (planted["stop_s"] - planted["start_s"] >= DROPOUT_S)


def above(planted, over_noise_db):
    """Bursts and dropouts at least so far over the hiss, and the pitch jumps that are asked for."""
    return (planted["over_noise_db"] >= over_noise_db) | asked_jumps(planted)


def recall(planted, *, strict=False, kind=None):
    """Hits and how many they are of; ``strict`` takes 'not assessed' for missed.

    ``kind``: only hits that were given this kind.
    """
    hit = planted["found"] & ((planted["found_kind"] == kind) if kind else True)
    counted = hit | planted["miss"].isin(["missed", "not assessed"] if strict else ["missed"])
    if kind:
        counted |= planted["found"]
    return int(hit.sum()), int(counted.sum())


def f1(planted, false_alarms, *, strict=False):
    hits, count = recall(planted, strict=strict)
    wrong = false_alarms + count - hits
    return 2 * hits / (2 * hits + wrong) if hits + wrong else np.nan


def found_table(dirty):
    """Hits by slider and in all: F1 at 20 and 10 dB over the hiss, dropouts, jumps, bursts."""
    planted, alarms = planted_of(dirty), alarms_of(dirty)
    alarms = alarms[alarms["where"] == ""]
    rows = []
    for slider in (*sorted(planted["slider"].unique()), "all"):
        p, a = planted, alarms
        if slider != "all":
            p, a = p[p["slider"] == slider], a[a["slider"] == slider]
        row = {"slider": slider, "false in dirty": len(a)}
        for db in (20, 10):
            row[f"F1 {db} dB"] = f1(p[above(p, db)], len(a))
            row[f"F1 {db} dB strict"] = f1(p[above(p, db)], len(a), strict=True)
        row["bursts 20 dB"] = share(*recall(p[(p["kind"] == "burst") & (p["over_noise_db"] >= 20)]))
        row["dropouts"] = share(*recall(p[asked_dropouts(p)]))
        row["as such"] = share(*recall(p[asked_dropouts(p)], kind="dropout"))
        row["jumps"] = share(*recall(p[asked_jumps(p)]))
        row["as jumps"] = share(*recall(p[asked_jumps(p)], kind="pitch jump"))
        rows.append(row)
    return pd.DataFrame(rows).set_index("slider")


def share(hits, count):
    return f"{hits}/{count} {hits / count:.3f}" if count else "-"


def stated_floor(dirty):
    """Hits among bursts above the floor that the measure states there; claimed: 19 of 20.

    The level of a burst is its energy spread over 10 ms if it is shorter. The claims are about
    wideband bursts of 10 ms, the first row (5 to 20 ms of added noise), and about dirt that moves
    the tone, the last one, above the floor that is stated for that.
    """
    p = planted_of(dirty)
    p = p[p["kind"] == "burst"]
    length = p["stop_s"] - p["start_s"]
    level = p["level_db"] + 10 * np.log10(np.clip(length / FLOOR_S, 1e-3, 1))
    over = level - p["stated_db"]
    rows = {}
    wide = (p["cause"] == "added") & length.between(0.005, 0.02)
    for name, which in {
        "added, 5-20 ms": wide,
        "all bursts": p["kind"] == "burst",
        **{f"on {s}": p["slider"] == s for s in sorted(p["slider"].unique())},
        **{c: p["cause"] == c for c in sorted(p["cause"].unique())},
    }.items():
        here = which & (over >= 0)
        hits, count = recall(p[here])
        below = recall(p[which & over.between(-6, 0)])
        hiss = p["stated_db"] - p["level_db"] + p["over_noise_db"]
        rows[name] = {
            "above the floor": share(hits, count),
            "95 % limits": "{:.3f} to {:.3f}".format(*binomial_limits(hits, count)),
            "0-6 dB below": share(*below),
            "floor re hiss": float(hiss[which].median()),
            "floor re tone": float(p["stated_db"][which].median()),
        }
    moved = over - p["controls"].map(MOVED_DB)
    moving = (p["cause"] != "added") & (moved >= 0)
    hits, count = recall(p[moving])
    rows["moves the tone"] = {
        "above the floor": share(hits, count),
        "95 % limits": "{:.3f} to {:.3f}".format(*binomial_limits(hits, count)),
        "0-6 dB below": share(*recall(p[(p["cause"] != "added") & moved.between(-6, 0)])),
    }
    return pd.DataFrame(rows).T


def alarm_table(clean):
    """False alarms in clean sweeps by slider, with exact upper limits for 10 min."""
    alarms = alarms_of(clean)
    rows = []
    for slider in (*sorted({s.about["slider"] for s in clean}), "all"):
        of = [s for s in clean if slider in ("all", s.about["slider"])]
        a = alarms if slider == "all" else alarms[alarms["slider"] == slider]
        minutes = sum(s.looked_s for s in of) / 60
        counted = a[a["where"] == ""]
        row = {"slider": slider, "sweeps": len(of), "minutes": minutes, "alarms": len(counted)}
        row |= {
            f"{k}s": int((counted["kind"] == k).sum()) for k in ("burst", "dropout", "pitch jump")
        }
        if minutes:
            row["in 10 min"] = 10 * len(counted) / minutes
            row["at most"] = poisson_limits(len(counted), minutes / 10)[1]
        row |= {where: int((a["where"] == where).sum()) for where in ("recorder", "flick", "key")}
        rows.append(row)
    return pd.DataFrame(rows).set_index("slider")


def refusal_table(scored):
    """Sweeps refused, time not assessed and misses excused by that, by slider and waveform.

    Events are those of 20 dB over the hiss, and the pitch jumps that are asked for.
    """
    rows = []
    groups = sorted({(s.about["slider"], s.about["waveform"]) for s in scored})
    groups += [(k, "all") for k in sorted({g[0] for g in groups})] + [("all", "all")]
    for slider, waveform in groups:
        of = [s for s in scored if slider in ("all", s.about["slider"])]
        of = [s for s in of if waveform in ("all", s.about["waveform"])]
        p = planted_of(of)
        p = p[above(p, 20)]
        heard, want = (sum(getattr(s, n) for s in of) for n in ("assessed_s", "asked_s"))
        floors = [s.floor_db for s in of if np.isfinite(s.floor_db)]
        row = {"slider": slider, "waveform": waveform, "sweeps": len(of)}
        row["refused"] = sum(bool(s.refused) for s in of)
        row["not assessed %"] = 100 * (1 - heard / want) if want else np.nan
        row["taken for it"] = share(sum(s.controls == s.about["slider"] for s in of), len(of))
        row["floor, dB"] = np.median(floors) if floors else np.nan
        row |= {"events": len(p), "found": int(p["found"].sum())}
        row |= {m: int((p["miss"] == m).sum()) for m in ("missed", "not assessed")}
        row["excused"] = int((p["excused"].ne("") & ~p["found"]).sum())
        rows.append(row)
    return pd.DataFrame(rows).set_index(["slider", "waveform"])


def error_table(dirty):
    """Errors of onset, level, size and travel, and how often twice the stated u holds the truth.

    The travel is that which the passes cover.
    """
    p = planted_of(dirty)
    p = p[p["found"]]
    onset = 1e3 * (p["found_start_s"] - p["start_s"])
    loud = p["kind"].eq("burst") & p["found_kind"].eq("burst")
    length, was = p["found_stop_s"] - p["found_start_s"], p["stop_s"] - p["start_s"]
    level = (p["found_level_db"] - p["level_db"])[loud]
    energy = level + 10 * np.log10(np.maximum(length, 1e-4) / np.maximum(was, 1e-3))[loud]
    size = (p["found_size_cents"].abs() - p["size_cents"].abs())[asked_jumps(p)]
    travel = (p["found_travel_percent"] - p["covered_percent"]).astype(float)
    rows = {"onset, ms": _errors(onset), "length ratio, %": _errors(100 * (length / was - 1)[loud])}
    rows["burst level, dB"] = _errors(level, p["found_u_level_db"])
    rows["burst energy, dB"] = _errors(energy, p["found_u_level_db"])
    rows["jump size, cents"] = _errors(size, p["found_u_size_cents"])
    rows["travel, %"] = _errors(travel, p["found_u_travel_percent"])
    for s in sorted(p["slider"].unique()):
        rows[f"travel, {s}"] = _errors(travel[p["slider"] == s], p["found_u_travel_percent"])
    return pd.DataFrame(rows).T


def directions(dirty):
    """Share of found events that were given a direction, and of those the share that is right."""
    p = planted_of(dirty)
    p = p[p["found"]]
    told = p["found_direction"].isin(["up", "down"])
    right = (p["found_direction"] == p["direction"])[told]
    given, true = share(int(told.sum()), len(p)), share(int(right.sum()), len(right))
    return f"direction given for {given} of found events, right for {true}"


def _errors(error, u=None):
    """Bias, median and 90 % of the absolute error, and the share within 2 u."""
    error = error.astype(float).dropna()
    if not len(error):
        return {"n": 0}
    row = {"n": len(error), "bias": error.median(), "median": error.abs().median()}
    row["p90"] = error.abs().quantile(0.9)
    if u is not None:
        u = u.astype(float).reindex(error.index)
        known = u.notna()
        if known.any():
            row["within 2u %"] = 100 * float((error[known].abs() <= 2 * u[known]).mean())
    return row


def logistic(x, hit):
    """Levels at which half and 95 % are found, from a logistic curve (nan: never, in this data).

    A weak prior (one hit and one miss a scale above and below the data) keeps it finite.
    """
    x, hit = np.asarray(x, float), np.asarray(hit, bool)
    if hit.size < 12 or not hit.any():
        return np.nan, np.nan
    xs = np.r_[x, x.max() + 10, x.min() - 10]
    y = np.r_[hit, True, False]
    w = np.r_[np.ones(hit.size), 0.5, 0.5]
    middle, spread = xs.mean(), xs.std()

    def cost(p):
        z = p[0] + np.exp(p[1]) * (xs - middle) / spread
        return np.sum(w * (np.logaddexp(0, z) - y * z))

    a, b = optimize.minimize(cost, [0.0, 0.0], method="Nelder-Mead").x
    return tuple(float(middle + spread * (q - a) / np.exp(b)) for q in (0.0, np.log(19)))


def faintest_table(dirty):
    """Burst levels at which half and 95 % are found, re hiss and re tone, by slider and tone."""
    p = planted_of(dirty)
    p = p[(p["kind"] == "burst") & p["miss"].isin(["", "missed"])]
    rows = []
    groups = [("all", "all", p)] + [(k, "all", g) for k, g in p.groupby("slider")]
    groups += [(*k, g) for k, g in p.groupby(["slider", "waveform"])]
    for slider, waveform, g in groups:
        row = {"slider": slider, "waveform": waveform, "bursts": len(g)}
        for name, column in {"re hiss": "over_noise_db", "re tone": "level_db"}.items():
            half, most = logistic(g[column], g["found"])
            top = g[column].max()
            row[f"50 % {name}"] = half
            row[f"95 % {name}"] = most if not most > top else np.inf
        rows.append(row)
    return pd.DataFrame(rows).set_index(["slider", "waveform"])


def speed(scored):
    """Processor seconds per second of capture: median and all in all."""
    each = [s.spent_s / s.duration_s for s in scored]
    return float(np.median(each)), sum(s.spent_s for s in scored) / sum(
        s.duration_s for s in scored
    )


def readme_table(dirty, clean):
    """The main figures as a table for the README."""
    found, alarms = found_table(dirty), alarm_table(clean)
    missing = refusal_table(dirty + clean)
    bursts = stated_floor(dirty)
    head = "| slider | F1, 20 dB over the hiss | dropouts of 5 ms | jumps of 30 cents, 20 ms | "
    head += "bursts above the stated floor | floor, dB re tone | false alarms in 10 min clean | "
    lines = [head + "not assessed |", "|---" * 8 + "|"]
    for slider in found.index:
        row, of = found.loc[slider], missing.loc[(slider, "all")]
        floor = bursts.loc["all bursts" if slider == "all" else f"on {slider}"]
        cells = [slider, f"{row['F1 20 dB']:.2f}", row["dropouts"], row["jumps"]]
        cells += [floor["above the floor"], f"{of['floor, dB']:.0f}"]
        if slider in alarms.index and "at most" in alarms:
            a = alarms.loc[slider]
            cells.append(
                f"{a['in 10 min']:.2f} (at most {a['at most']:.2f}; {a['minutes']:.0f} min)"
            )
        else:
            cells.append("-")
        lines.append(f"| {' | '.join(cells)} | {of['not assessed %']:.0f} % |")
    return "\n".join(lines)
