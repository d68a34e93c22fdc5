-- The ground of trees, as an analyst would ask PostGIS for it.
--
-- Run by postgis.sh, with tree(id text, geom point) and paved(geom) in metres
-- and the variables reach, gap, snap (metres) and share (on or off).
--
-- PostgreSQL puts its parallel step below the lateral join, so more workers
-- gain nothing here.

\set ON_ERROR_STOP on
\set QUIET on
SET client_min_messages = warning;

-- method=structure: shell less holes. The plain ST_MakeValid would fill a pit
-- whose edge is the kerb.
CREATE TABLE hard AS
SELECT (ST_Dump(ST_CollectionExtract(ST_MakeValid(geom, 'method=structure'), 3))).geom
FROM paved WHERE geom IS NOT NULL;
CREATE INDEX ON hard USING gist (geom);
ANALYZE hard;

SELECT extract(epoch FROM clock_timestamp()) AS began \gset

CREATE TABLE ground AS
WITH near AS MATERIALIZED (
    SELECT t.id, t.geom,
        CASE WHEN h.hard IS NULL THEN ST_GeomFromText('POLYGON EMPTY')
             WHEN :gap > 0 THEN ST_Buffer(ST_Buffer(ST_Intersection(h.hard, w.box),
                :gap / 2.0, 'join=mitre mitre_limit=20'), -:gap / 2.0, 'join=mitre mitre_limit=20')
             ELSE h.hard END AS hard
    FROM (SELECT DISTINCT ON (id, geom) id, ST_SetSRID(geom, 0) AS geom FROM tree WHERE geom IS NOT NULL) t
    CROSS JOIN LATERAL (SELECT ST_Expand(t.geom, :reach + :snap + 1.0) AS box) w
    LEFT JOIN LATERAL (SELECT ST_Union(p.geom) AS hard FROM hard p WHERE p.geom && w.box) h ON true
), stand AS MATERIALIZED (
    SELECT id, hard, geom AS recorded,
        CASE WHEN NOT ST_Contains(hard, geom) THEN geom
             ELSE ST_ClosestPoint(ST_Difference(ST_Buffer(geom, :snap + 0.5), hard), geom) END AS geom
    FROM near
)
SELECT s.id, s.geom,
    CASE WHEN o.geom IS NULL THEN 'sealed' WHEN ST_Equals(s.geom, s.recorded) THEN 'measured' ELSE 'snapped' END AS ground,
    o.geom AS opening
FROM stand s
LEFT JOIN LATERAL (
    SELECT d.geom
    FROM ST_Dump(ST_Difference(ST_Buffer(s.geom, :reach, 'quad_segs=32'), s.hard)) d
    WHERE ST_DWithin(s.geom, s.recorded, :snap) AND ST_DWithin(d.geom, s.geom, 0.0001)
    ORDER BY round(ST_Distance(d.geom, s.geom)::numeric, 7), ST_Area(d.geom) DESC
    LIMIT 1
) o ON true;

SELECT extract(epoch FROM clock_timestamp()) AS opened \gset

\if :share
CREATE INDEX ON ground USING gist (opening);
ANALYZE ground;
-- A point goes to the nearest of the trees whose openings hold it: take away
-- what lies in another's opening on its side of the bisector. Trees within
-- 0.10 m of one another halve what they have.
CREATE TABLE shared AS
SELECT a.id, CASE WHEN n.lost IS NULL THEN ST_Area(a.opening)
                  ELSE ST_Area(ST_Difference(a.opening, n.lost)) END / (1 + coalesce(n.same, 0)) AS share_m2
FROM ground a
LEFT JOIN LATERAL (
    SELECT ST_Union(ST_Intersection(b.opening, side.half)) FILTER (WHERE NOT ST_DWithin(a.geom, b.geom, 0.10)) AS lost,
        count(*) FILTER (WHERE ST_DWithin(a.geom, b.geom, 0.10)) AS same
    FROM ground b
    CROSS JOIN LATERAL (
        SELECT ST_Translate(ST_Rotate(ST_MakeEnvelope(0, -100, 100, 100),
                coalesce(pi() / 2 - ST_Azimuth(a.geom, b.geom), 0)),
            (ST_X(a.geom) + ST_X(b.geom)) / 2, (ST_Y(a.geom) + ST_Y(b.geom)) / 2) AS half
    ) side
    WHERE b.opening && a.opening AND b.ctid <> a.ctid AND ST_Area(ST_Intersection(a.opening, b.opening)) > 1e-6
) n ON true
WHERE a.opening IS NOT NULL;
\else
CREATE TABLE shared (id text, share_m2 float8);
\endif

SELECT extract(epoch FROM clock_timestamp()) AS shared \gset

\copy (SELECT g.id, g.ground, round(coalesce(ST_Area(g.opening), 0)::numeric, 6) AS open_m2, round(coalesce(s.share_m2, 0)::numeric, 6) AS share_m2, round(ST_X(g.geom)::numeric, 4) AS x, round(ST_Y(g.geom)::numeric, 4) AS y FROM ground g LEFT JOIN shared s USING (id) ORDER BY length(g.id), g.id) TO 'ground.csv' WITH (FORMAT csv, HEADER)

SELECT count(*) AS n, pg_backend_pid() AS pid FROM ground \gset
\pset format unaligned
\pset tuples_only on
SELECT format('openings %s s (%s us a tree), shares %s s (%s us a tree)',
    round((:opened - :began)::numeric, 2), round((1e6 * (:opened - :began) / :n)::numeric),
    round((:shared - :opened)::numeric, 2), round((1e6 * (:shared - :opened) / :n)::numeric));
\setenv BACKEND :pid
\! awk '/VmHWM/ {printf "peak memory %.0f MiB (shared buffers included)\n", $2 / 1024}' /proc/$BACKEND/status
