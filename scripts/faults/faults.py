#!/usr/bin/env python3
"""What the command does when the machine fails it, counted.

    scripts/faults/faults.py SOILSHED [WORD]

SOILSHED is the built program; a word picks the faults that have it in their
names. The inputs are those of fixtures/cli/street, and for the database some
thousand trees, so that there are many rows to send. Each fault is tried many times on an output
that an earlier run wrote. It is survived when

  - the older output is as it was, or the new one is there whole, byte for byte;
  - the exit status says which, and a run that failed says why;
  - the next run, with nothing done in between, comes to its end, writes the
    right bytes and leaves nothing else in the folder.

A fault that cannot be brought about here (no strace, no right to mount, no
PostgreSQL) is told
as not tried. Fails when a fault is not survived.
"""

import concurrent.futures
import glob
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time

program = os.path.abspath(sys.argv[1])
picked = sys.argv[2] if len(sys.argv) > 2 else ""
street = os.path.abspath(os.path.join(os.path.dirname(__file__), "../../fixtures/cli/street"))
work = tempfile.mkdtemp(prefix="soilshed-faults.")
dice = random.Random(8)
workers = 2

OUTPUTS = {"city.gpkg": ["city.gpkg"], "city.geojson": ["city.geojson", "city-openings.geojson", "city-worklist.geojson"], "city.parquet": ["city.parquet", "city-openings.parquet", "city-worklist.parquet"], "city.fgb": ["city.fgb", "city-openings.fgb", "city-worklist.fgb"]}
# An older output is of another reach, so that its bytes are others.
OLD, NEW = 2, 6


def args(out, reach, trees="trees.geojson"):
    return ["assess", "--quiet", "--trees", trees, "--pavement", "paving.geojson", "--year", "2024", "--jitters", "2", "--reach", str(reach), "--out", out]


def call(folder, argv, before=(), env=None, **more):
    return subprocess.run([*before, program, *argv], cwd=folder, env=env, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, timeout=120, **more)


def sums(folder, out):
    """The hash of each file of an output, in order; None for one that is missing."""
    all = []
    for name in OUTPUTS[out]:
        try:
            with open(os.path.join(folder, name), "rb") as f:
                all.append(hashlib.sha256(f.read()).hexdigest())
        except FileNotFoundError:
            all.append(None)
    return all


class Place:
    """A folder with inputs and an older output, and what is right for it."""

    def __init__(self, out, folder=None):
        self.out = out
        self.folder = folder or tempfile.mkdtemp(dir=work)
        for name in ("trees.geojson", "paving.geojson"):
            shutil.copy(os.path.join(street, name), self.folder)
        self.right = {}
        for reach in (NEW, OLD):
            r = call(self.folder, args(out, reach))
            if r.returncode != 0:
                raise SystemExit(f"a run that nothing disturbs fails: {r.stderr.decode()}")
            self.right[reach] = sums(self.folder, out)
        self.files = sorted(os.listdir(self.folder))
        if self.right[OLD] == self.right[NEW]:
            raise SystemExit("the older output is as the new one: nothing could be told")

    def judge(self, code, said, killed=False, changed=False):
        """None when the fault was survived, else what is wrong."""
        now = sums(self.folder, self.out)
        old, new = now == self.right[OLD], now == self.right[NEW]
        # While the files of a set move in, the one that opens it is missing, and
        # the older ones are kept aside: the next run puts them back.
        moving = killed and now[0] is None
        if not (old or new or moving or changed):
            return f"neither the older output nor the new one (exit {code}): {said}"
        if code == 0 and not (new or changed):
            return "exit 0, and the older output"
        if code != 0 and not killed and not said.strip():
            return f"exit {code}, and not a word"
        return None

    def again(self):
        """The run after it, and the older output back; None when all is well."""
        for reach in (NEW, OLD):
            r = call(self.folder, args(self.out, reach))
            if r.returncode != 0:
                return f"the next run fails: {r.stderr.decode()}"
            if sums(self.folder, self.out) != self.right[reach]:
                return "the next run writes other bytes"
        if sorted(os.listdir(self.folder)) != self.files:
            return f"left behind: {sorted(set(os.listdir(self.folder)) ^ set(self.files))}"
        return None


table = []  # of fault, tried, survived, a word


def count(fault, results, word=""):
    bad = [r for r in results if r]
    table.append((fault, len(results), len(results) - len(bad), word if not bad else bad[0]))
    print(f"{fault}: {len(results)} tried, {len(results) - len(bad)} survived", *bad[:3], sep="\n  ", flush=True)


def skipped(fault, why):
    table.append((fault, 0, 0, "not tried: " + why))


def each(fault, jobs, word=""):
    """Runs jobs, functions of a Place, each worker in its own."""
    if picked not in fault:
        return
    mine = threading.local()

    def do(job):
        out, f = job
        if not hasattr(mine, "places"):
            mine.places = {}
        if out not in mine.places:
            mine.places[out] = Place(out)
        try:
            return f(mine.places[out])
        except subprocess.TimeoutExpired:
            return "it does not end"

    with concurrent.futures.ThreadPoolExecutor(workers) as pool:
        count(fault, list(pool.map(do, jobs)), word)


def strace_works():
    if not shutil.which("strace"):
        return False
    r = subprocess.run(["strace", "-qq", "-e", "inject=openat:error=EIO:when=1000", "-o", os.devnull, "/bin/true"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return r.returncode == 0


def calls_of(out):
    """How often a run makes each system call."""
    place = Place(out)
    counts = os.path.join(work, "calls")
    call(place.folder, args(out, NEW), before=["strace", "-f", "-c", "-o", counts])
    n = {}
    for line in open(counts):
        w = line.split()
        if len(w) >= 5 and w[3].isdigit():
            n[w[-1]] = int(w[3])
    return n


def injected(name, error, when):
    def f(place):
        r = call(place.folder, args(place.out, NEW), before=["strace", "-f", "-qq", "-o", os.devnull, "-e", f"trace={name}", "-e", f"inject={name}:error={error}:when={when}"])
        # Where writing to the terminal fails, there is nothing to be said.
        bad = place.judge(r.returncode, r.stderr.decode(errors="replace") or (name == "write" and "(mute)" or ""))
        return bad and f"{place.out}, {name} {when} {error}: {bad}" or prefixed(place.again(), f"{place.out}, {name} {when} {error}: ")

    return f


def prefixed(bad, what):
    return bad and what + bad


def spread(n, most):
    """Up to so many of 1 to n, even."""
    return sorted({1 + i * (n - 1) // max(1, most - 1) for i in range(most)}) if n > most else range(1, n + 1)


def system_calls():
    if not strace_works():
        skipped("a system call fails", "strace is not there, or may not trace")
        return
    groups = [
        ("write fails: disk full", ["pwrite64", "write", "ftruncate"], "ENOSPC", 9),
        ("write fails: i/o error", ["pwrite64", "write"], "EIO", 9),
        ("flush fails", ["fsync", "fdatasync"], "EIO", 12),
        ("rename, folder or unlink fails", ["renameat", "renameat2", "mkdirat", "unlinkat"], "EACCES", 5),
        ("read fails: i/o error", ["read", "pread64"], "EIO", 7),
        ("open fails: too many files", ["openat", "open"], "EMFILE", 8),
    ]
    many = {out: calls_of(out) for out in OUTPUTS}
    for fault, names, error, most in groups:
        each(fault, [(out, injected(n, error, k)) for out in OUTPUTS for n in names for k in spread(many[out].get(n, 0), most)])


def full_disk():
    if picked not in "disk full (tmpfs)":
        return
    out = "city.gpkg"
    folder = os.path.join(work, "full")
    os.mkdir(folder)
    probe = Place(out)
    need = sum(os.path.getsize(os.path.join(probe.folder, f)) for f in probe.files)
    if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={4 * need}", "tmpfs", folder], stderr=subprocess.DEVNULL).returncode != 0:
        skipped("disk full (tmpfs)", "may not mount")
        return
    results = []
    try:
        place = Place(out, folder)
        for share in [0, 0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97]:
            ballast = os.path.join(folder, "ballast")
            room = os.statvfs(folder)
            free = room.f_bavail * room.f_frsize
            with open(ballast, "wb") as f:
                f.write(bytes(max(0, int(free - share * os.path.getsize(os.path.join(folder, out))))))
            r = call(folder, args(out, NEW))
            bad = place.judge(r.returncode, r.stderr.decode())
            os.remove(ballast)
            results.append(bad or place.again())
    finally:
        subprocess.run(["umount", "-l", folder])
    count("disk full (tmpfs)", results)


def killed(_):
    def f(place):
        p = subprocess.Popen([program, *args(place.out, NEW)], cwd=place.folder, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(dice.random() * took * 1.1)
        p.kill()
        code = p.wait()
        return place.judge(code, "", killed=code == -signal.SIGKILL) or place.again()

    return f


def read_only():
    if picked not in "output folder read-only":
        return
    out = "city.gpkg"
    place = Place(out)
    lock = lambda: subprocess.run(["mount", "--bind", place.folder, place.folder], stderr=subprocess.DEVNULL).returncode == 0 and subprocess.run(["mount", "-o", "remount,bind,ro", place.folder], stderr=subprocess.DEVNULL).returncode == 0
    unlock = lambda: subprocess.run(["umount", "-l", place.folder], stderr=subprocess.DEVNULL)
    if not lock():
        unlock()
        skipped("output folder read-only", "may not mount")
        return
    try:
        r = call(place.folder, args(out, NEW))
        bad = place.judge(r.returncode, r.stderr.decode()) or (None if r.returncode != 0 else "wrote to a read-only folder")
    finally:
        unlock()
    count("output folder read-only", [bad or place.again()])


def future(place):
    """The clock is set back: all files are of a year to come."""
    ahead = time.time() + 5 * 365 * 86400
    for name in os.listdir(place.folder):
        os.utime(os.path.join(place.folder, name), (ahead, ahead))
    r = call(place.folder, args(place.out, NEW), env=dict(os.environ, SOURCE_DATE_EPOCH="1700000000"))
    bad = None if r.returncode == 0 else r.stderr.decode()
    r = call(place.folder, args(place.out, NEW))
    bad = bad or (None if r.returncode == 0 else r.stderr.decode())
    for name in os.listdir(place.folder):
        os.utime(os.path.join(place.folder, name))
    for name in ("trees.geojson", "paving.geojson"):
        shutil.copystat(os.path.join(street, name), os.path.join(place.folder, name))
    again = Place(place.out, place.folder)  # the time of an input is in the output
    return bad or again.again()


def homeless(place):
    r = call(place.folder, args(place.out, NEW), env={})
    return place.judge(r.returncode, r.stderr.decode()) or (None if r.returncode == 0 else r.stderr.decode()) or place.again()


def no_temp(place):
    r = call(place.folder, args(place.out, NEW), env={"TMPDIR": "/nowhere"})
    return place.judge(r.returncode, r.stderr.decode()) or place.again()


def twice(place):
    ps = [subprocess.Popen([program, *args(place.out, NEW)], cwd=place.folder, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) for _ in range(3)]
    said = [p.communicate()[1].decode() for p in ps]
    for p, s in zip(ps, said):
        if p.returncode != 0 and "another run is writing it" not in s:
            return f"exit {p.returncode}: {s}"
    if all(p.returncode for p in ps):
        return "none of three runs came to its end"
    return place.judge(0, "") or place.again()


def changing(how):
    def f(place):
        """Another program writes the inventory while it is read."""
        path = os.path.join(place.folder, "trees.geojson")
        whole = open(path, "rb").read()
        stat = os.stat(path)
        p = subprocess.Popen([program, *args(place.out, NEW)], cwd=place.folder, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        time.sleep(dice.random() * took)
        if how == "cut":
            os.truncate(path, len(whole) // 2)
        elif how == "grown":
            with open(path, "ab") as w:
                w.write(whole)
        elif how == "replaced":
            with open(path + "~", "wb") as w:
                w.write(whole.replace(b"Acer rubrum", b"Acer rubrum ", 3))
            os.rename(path + "~", path)
        else:
            os.remove(path)
        said = p.communicate()[1].decode()
        with open(path, "wb") as w:
            w.write(whole)
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
        bad = place.judge(p.returncode, said, changed=p.returncode == 0)
        if p.returncode == 0:
            # Of which state it is, cannot be told; but it must be an output.
            layer = ["--tree-layer", "trees"] if place.out.endswith(".gpkg") else []
            r = call(place.folder, args("other.gpkg", NEW, trees=place.out) + layer)
            if r.returncode != 0:
                bad = f"what it wrote is not read: {r.stderr.decode()}"
            for name in os.listdir(place.folder):
                if name.startswith("other"):
                    os.remove(os.path.join(place.folder, name))
        return bad or place.again()

    return f


class Database:
    """A server of its own, and two older tables in it (the trees and their openings)."""

    trees = 4500  # more than go in one COPY

    def __init__(self):
        here = os.path.dirname(os.path.abspath(__file__))
        self.server = subprocess.Popen([os.path.join(here, "../nightly/postgis.sh")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        self.address = self.server.stdout.readline().strip()
        if not self.address:
            self.server.wait()
            raise OSError(self.server.stderr.read().strip().splitlines()[-1])
        self.home = self.address.split("host=")[1]
        self.bin = sorted(glob.glob("/usr/lib/postgresql/*/bin"), key=lambda d: int(d.split("/")[4]))[-1]
        self.out = self.address + "&table=city"
        self.folder = tempfile.mkdtemp(dir=work)
        head = '{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"EPSG:26975"}},"features":['
        places = [(1425000 + i % 100 * 20, 1196000 + i // 100 * 20) for i in range(self.trees)]
        with open(os.path.join(self.folder, "trees.geojson"), "w") as f:
            f.write(head + ",".join('{"type":"Feature","properties":{"id":%d,"diam_cm":30},"geometry":{"type":"Point","coordinates":[%d,%d]}}' % (i + 1, *xy) for i, xy in enumerate(places)) + "]}")
        with open(os.path.join(self.folder, "paving.geojson"), "w") as f:
            f.write(head + ",".join('{"type":"Feature","properties":{"kind":"road"},"geometry":{"type":"Polygon","coordinates":[%s]}}' % ",".join(
                "[" + ",".join("[%.1f,%.1f]" % (x + a * h, y + b * h) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))) + "]" for h in (5.9, 3)) for x, y in places) + "]}")
        self.right = {}
        for reach in (NEW, OLD):
            began = time.time()
            r = self.run(reach)
            self.took = time.time() - began
            if r.returncode != 0:
                raise SystemExit(f"a run into a database that nothing disturbs fails: {r.stderr.decode()}")
            self.right[reach] = self.state()
        if self.right[OLD] == self.right[NEW]:
            raise SystemExit("the older tables are as the new ones: nothing could be told")

    def run(self, reach):
        return call(self.folder, args(self.out, reach))

    def psql(self, sql):
        return [os.path.join(self.bin, "psql"), "-X", "-q", "-A", "-t", "-h", self.home, "-U", "postgres", "-d", "city", "-v", "ON_ERROR_STOP=1", "-c", sql]

    def ask(self, sql):
        return subprocess.run(self.psql(sql), capture_output=True, text=True, check=True, timeout=60).stdout.strip()

    def state(self):
        return [self.ask(f"SELECT count(*), md5(string_agg(t::text, '|' ORDER BY fid)) FROM {t} t") for t in ("city", "city_openings")]

    def judge(self, code, said, want=None):
        now = self.state()
        old, new = now == self.right[OLD], now == self.right[NEW]
        if not (old or new):
            return f"neither the older tables nor the new ones (exit {code}): {said}"
        if code == 0:
            return None if new else "exit 0, and the older tables"
        if not said.strip():
            return f"exit {code}, and not a word"
        if want and want not in said:
            return f"does not say what happened: {said}"
        if new and "the database alone knows" not in said:
            return f"the new tables are there, and this was said: {said}"
        left = self.ask("SELECT count(*) FROM pg_class WHERE relname LIKE 'soilshed_new%'")
        return None if left == "0" else f"{left} tables of a passing name are left"

    def again(self):
        r = self.run(OLD)
        if r.returncode != 0:
            return f"the next run fails: {r.stderr.decode()}"
        return None if self.state() == self.right[OLD] else "the next run writes other rows"

    def close(self):
        self.server.stdin.close()
        self.server.wait()


# Ends the connection of a run, or the server, at a moment: as it sends rows for the
# k-th time, or some time after it has come. The loop is within the server, so that
# it is quick.
END = """DO $$ DECLARE p int; n int := 0; was text := ''; now text; BEGIN
  FOR i IN 1..60000 LOOP
    PERFORM pg_stat_clear_snapshot();
    SELECT pid, query || query_start INTO p, now FROM pg_stat_activity WHERE application_name = 'soilshed' AND state = 'active' AND query ILIKE '%(what)s%%';
    IF p IS NOT NULL AND now <> was THEN n := n + 1; was := now; END IF;
    IF n >= %(k)d AND p IS NOT NULL THEN PERFORM pg_sleep(%(wait)f); %(act)s; RETURN; END IF;
    PERFORM pg_sleep(0.0003);
  END LOOP; END $$"""


def database_gone():
    faults = ["database: the connection is ended as rows are sent", "database: the connection is ended at any moment", "database: the server is stopped as rows are sent"]
    if not any(picked in f for f in faults):
        return
    try:
        db = Database()
    except OSError as e:
        for f in faults:
            skipped(f, f"no PostgreSQL with PostGIS ({e})")
        return

    def cut(what, k, wait, must, stop=False):
        """A run whose connection, or server, ends on the way."""
        act = "EXECUTE 'COPY (SELECT 1) TO PROGRAM ' || quote_literal('kill -QUIT $(head -1 postmaster.pid)')" if stop else "PERFORM pg_terminate_backend(p)"
        hunter = subprocess.Popen(db.psql(END % {"what": what, "k": k, "wait": wait, "act": act}), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(0.2)
        r = db.run(NEW)
        hunter.kill()  # the run may have been over before
        hunter.wait()
        if stop:
            subprocess.run(db.control("-m", "immediate", "stop"), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            subprocess.run(db.control("-l", os.path.join(db.home, "log"), "-w", "start"), stdout=subprocess.DEVNULL, check=True)
        else:
            db.ask("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE query LIKE 'DO %' AND pid <> pg_backend_pid()")
        said = r.stderr.decode()
        if must and r.returncode == 0:
            return "the connection was not ended"
        if r.returncode not in (0, 1):
            return f"exit {r.returncode}: {said}"
        return db.judge(r.returncode, said, "run again when the server is there") or db.again()

    def control(*more):
        as_user = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
        options = f"-c listen_addresses='' -c unix_socket_directories='{db.home}' -c fsync=off"
        return [*as_user, os.path.join(db.bin, "pg_ctl"), "-D", os.path.join(db.home, "data"), "-o", options, *more]

    db.control = control
    try:
        if picked in faults[0]:
            count(faults[0], [cut("copy", 1 + i % 4, 0.0005 * (i // 4), True) for i in range(8)])
        if picked in faults[1]:
            count(faults[1], [cut("", 1, dice.random() * db.took, False) for i in range(12)])
        if picked in faults[2]:
            count(faults[2], [cut("copy", 1 + i % 4, 0, True, stop=True) for i in range(4)])
    finally:
        db.close()


try:
    probe = Place("city.gpkg")
    began = time.time()
    call(probe.folder, args("city.gpkg", OLD))
    took = time.time() - began
    outs = list(OUTPUTS)
    system_calls()
    full_disk()
    each("kill -9 at any moment", [(outs[i % len(outs)], killed(i)) for i in range(100)])
    each("input changed while it is read", [(outs[i % len(outs)], changing(how)) for how in ("cut", "grown", "replaced", "removed") for i in range(6)])
    read_only()
    each("files from the future: the clock set back", [(out, future) for out in outs])
    each("no home, no PATH, no environment", [(out, homeless) for out in outs])
    each("no folder for temporary files", [(out, no_temp) for out in outs])
    database_gone()
    each("three runs at once", [(outs[i % len(outs)], twice) for i in range(8)])
finally:
    shutil.rmtree(work, ignore_errors=True)

print()
print(f"{'fault':<44}{'tried':>7}{'survived':>10}")
for fault, tried, survived, word in table:
    print(f"{fault:<44}{tried:>7}{survived:>10}{'  ' + word[:400] if word else ''}")
sys.exit(any(tried != survived for _, tried, survived, _ in table) or not table)
