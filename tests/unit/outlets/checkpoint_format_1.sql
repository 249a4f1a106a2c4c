BEGIN TRANSACTION;
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
INSERT INTO "meta" VALUES('format','1');
INSERT INTO "meta" VALUES('identity','{"kind": "simulated drive", "model": "", "name": "drive", "physical_bytes": 0, "sector_bytes": 512, "serial": "S1", "size_bytes": 2097152}');
INSERT INTO "meta" VALUES('image','bay-1.img');
CREATE TABLE reading (
    id INTEGER PRIMARY KEY,
    run_id INTEGER NOT NULL REFERENCES run (id),
    start INTEGER NOT NULL,
    stop INTEGER NOT NULL CHECK (stop > start),
    outcome TEXT NOT NULL CHECK (outcome IN ('given', 'refused', 'hung', 'waived')),
    error TEXT NOT NULL,
    seconds REAL NOT NULL,
    at TEXT NOT NULL
) STRICT;
INSERT INTO "reading" VALUES(1,1,0,8192,'given','',0.01,'2026-11-28T11:22:33Z');
INSERT INTO "reading" VALUES(2,1,8192,12288,'refused','EIO',3.0,'2026-11-28T11:22:33Z');
INSERT INTO "reading" VALUES(3,1,8192,8704,'refused','EIO',3.0,'2026-11-28T11:22:33Z');
INSERT INTO "reading" VALUES(4,1,8704,9216,'hung','no answer',30.0,'2026-11-28T11:22:33Z');
INSERT INTO "reading" VALUES(5,2,9216,65536,'given','',0.01,'2026-11-28T11:22:33Z');
INSERT INTO "reading" VALUES(6,2,8192,8704,'refused','ENODATA',3.0,'2026-11-28T11:22:33Z');
INSERT INTO "reading" VALUES(7,2,2096640,2097152,'waived','',0.0,'2026-11-28T11:22:33Z');
CREATE TABLE run (
    id INTEGER PRIMARY KEY,
    adapter TEXT NOT NULL,
    source TEXT NOT NULL,
    started_at TEXT NOT NULL,
    taken_from TEXT NOT NULL DEFAULT ''
) STRICT;
INSERT INTO "run" VALUES(1,'bench adapter','drive','2026-11-28T11:22:33Z','');
INSERT INTO "run" VALUES(2,'another adapter','drive','2026-11-28T11:22:33Z','');
CREATE INDEX reading_by_place ON reading (start, stop);
COMMIT;
