#!/usr/bin/python3
"""Hold soilshed's trees against a reference of ground.py or postgis.sh.

    compare.py reference.csv ours.geojson [--within 99.5]
    compare.py --self-test

Ours is GeoJSON or CSV with tree_id (or --id), open_m2, share_m2 and, if there,
ground and mates. Prints the share of trees that agree within 0.5 % and within
1e-4, for the opening and for its share, and the twenty worst with what may
explain them. Exit 1 when fewer than --within per cent agree within 0.5 %, when
a tree is missing on either side, or when too few can be compared; 2 when a
file cannot be read.

Not compared, and counted: trees that only one side gives an opening that it
assumed or took from a record (reference `sealed`; ours recorded, assumed,
sealed): an answer to another question.
"""

import argparse
import csv
import io
import json
import math
import sys
from collections import Counter

NO_MEASURE = {"sealed", "recorded", "assumed"}
FLOOR_M2 = 0.05  # differences are taken relative to this at least


def read_rows(path, tree_id):
    """{id: {open_m2, share_m2, ground, ...}}; copies of a record once."""
    if path.endswith((".geojson", ".json")):
        with open(path, encoding="utf-8") as f:
            rows = [feature["properties"] for feature in json.load(f)["features"]]
    else:
        with open(path, encoding="utf-8", newline="") as f:
            rows = list(csv.DictReader(f))
    if not rows:
        raise ValueError(f"{path}: no records")
    for name in (tree_id, "open_m2", "share_m2"):
        if name not in rows[0]:
            raise ValueError(f"{path}: no column {name}; it has {', '.join(rows[0])}")
    out, copies = {}, 0
    for r in rows:
        key = str(r[tree_id])
        if key in out:
            copies += 1
            continue
        out[key] = r
    return out, copies


def number(v):
    if v is None or v == "":
        return None
    v = float(v)
    return None if math.isnan(v) else v


def compare(ref, ours, within, out):
    """Prints the comparison and returns True when it is good enough."""
    good = True
    missing, extra = [k for k in ref if k not in ours], [k for k in ours if k not in ref]
    if missing or extra:
        good = False
        print(f"{len(missing)} trees of the reference are missing in ours {missing[:5]}, {len(extra)} are only in ours {extra[:5]}", file=out)
    skipped, pairs = Counter(), []
    for key in ref:
        if key not in ours:
            continue
        r, o = ref[key], ours[key]
        how, our_how = r.get("ground", "measured"), o.get("ground", "") or ""
        if how in NO_MEASURE or our_how in NO_MEASURE:
            skipped[f"reference {how}, ours {our_how or '?'}"] += 1
            continue
        pairs.append((key, r, o))
    for why, n in sorted(skipped.items()):
        print(f"not compared: {n:6d}  {why}", file=out)
    one_sided = sum(n for why, n in skipped.items() if ("reference sealed" in why) != any(f"ours {w}" in why for w in NO_MEASURE))
    if one_sided > 0.01 * len(ref):
        good = False
        print(f"{one_sided} trees have an opening on one side only: more than 1 %", file=out)
    if len(pairs) < 0.9 * len(ref):
        good = False
        print(f"only {len(pairs)} of {len(ref)} trees can be compared", file=out)

    worst = []
    for field in ("open_m2", "share_m2"):
        off, calm, calm_n = [], 0, 0
        for key, r, o in pairs:
            a, b = number(r[field]), number(o[field])
            if a is None and field == "share_m2":
                continue  # the reference was run without sharing
            d = math.inf if a is None or b is None else abs(a - b) / max(abs(a), abs(b), FLOOR_M2)
            off.append(d)
            if r.get("near_gap") != "1":
                calm_n += 1
                calm += d <= 0.005
            worst.append((d, field, key, r, o))
        if not off:
            print(f"{field}: the reference has none", file=out)
            continue
        close = 100 * sum(d <= 0.005 for d in off) / len(off)
        closer = 100 * sum(d <= 1e-4 for d in off) / len(off)
        line = f"{field:9s} {len(off)} trees: {close:.3f} % within 0.5 %, {closer:.3f} % within 1e-4"
        if calm_n != len(off):
            line += f"; without the {len(off) - calm_n} near a closing gap {100 * calm / max(calm_n, 1):.3f} % within 0.5 %"
        print(line, file=out)
        if close < within:
            good = False
            print(f"{field}: below {within} %", file=out)

    worst.sort(key=lambda w: (-w[0], w[2], w[1]))
    told = set()
    worst = [w for w in worst if w[0] > 1e-4 and not (w[2] in told or told.add(w[2]))][:20]
    if worst:
        print(f"\n{'worst':9s} {'tree':>10s} {'off %':>9s} {'reference':>11s} {'ours':>11s}  {'ground (ref, ours)':24s} {'mates':>9s} near_gap  x, y", file=out)
    for d, field, key, r, o in worst:
        print(
            f"{field:9s} {key:>10s} {100 * d:9.3f} {r[field]:>11s} {str(o[field]):>11s}  "
            f"{r.get('ground', '') + ', ' + str(o.get('ground', '')):24s} {str(r.get('mates', '')) + '/' + str(o.get('mates', '')):>9s} "
            f"{r.get('near_gap', ''):>8s}  {r.get('x', '')}, {r.get('y', '')}",
            file=out,
        )
    return good


def self_test():
    """A comparison that cannot fail is worth nothing: show it wrong answers."""

    def town():
        return {str(i): {"open_m2": f"{5 + i % 40 + 0.25:.6f}", "share_m2": f"{3 + i % 30 + 0.5:.6f}", "ground": "measured", "mates": "1", "near_gap": "0"} for i in range(400)}

    def shift(field, n, factor):
        def change(rows):
            for i in range(n):
                rows[str(i)][field] = f"{float(rows[str(i)][field]) * factor:.6f}"

        return change

    def swap(rows):
        for i in range(0, 20, 2):
            rows[str(i)], rows[str(i + 1)] = rows[str(i + 1)], rows[str(i)]

    def lose(rows):
        del rows["7"]

    def gain(rows):
        rows["new"] = dict(rows["7"])

    def blank(rows):
        for i in range(10):
            rows[str(i)]["share_m2"] = None

    def hide(rows):
        for i in range(60):
            rows[str(i)]["ground"] = "assumed"

    def nothing(rows):
        pass

    cases = [
        ("the same", nothing, True), ("3 openings 1 % too large, 99 % asked", shift("open_m2", 3, 1.01), True),
        ("10 openings 1 % too large", shift("open_m2", 10, 1.01), False), ("10 shares 0.6 % too small", shift("share_m2", 10, 0.994), False),
        ("all 0.1 % off, allowed", shift("open_m2", 400, 1.001), True), ("trees exchanged", swap, False), ("a tree lost", lose, False),
        ("a tree too many", gain, False), ("shares null", blank, False), ("trees hidden as assumed", hide, False),
        ("all openings 0", shift("open_m2", 400, 0), False),
    ]
    bad = 0
    for name, change, want in cases:
        ours = town()
        change(ours)
        got = compare(town(), ours, 99, io.StringIO())
        if got != want:
            bad += 1
            print(f"self-test: {name}: called {'good' if got else 'bad'}, should be {'good' if want else 'bad'}")
    print(f"self-test: {len(cases)} planted answers, {bad} judged wrongly")
    return bad == 0


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("reference", nargs="?")
    p.add_argument("ours", nargs="?")
    p.add_argument("--id", default="tree_id", help="column of ours that names a tree")
    p.add_argument("--within", type=float, default=99.5, help="per cent of trees that must agree within 0.5 %%")
    p.add_argument("--self-test", action="store_true")
    opts = p.parse_args()
    if opts.self_test:
        return 0 if self_test() else 1
    if not opts.reference or not opts.ours:
        p.error("give the reference and ours, or --self-test")
    try:
        ref, ref_copies = read_rows(opts.reference, "id")
        ours, our_copies = read_rows(opts.ours, opts.id)
    except (OSError, ValueError) as err:
        print(f"compare: {err}", file=sys.stderr)
        return 2
    if ref_copies or our_copies:
        print(f"copies of an id left out: {ref_copies} in the reference, {our_copies} in ours")
    return 0 if compare(ref, ours, opts.within, sys.stdout) else 1


if __name__ == "__main__":
    sys.exit(main())
