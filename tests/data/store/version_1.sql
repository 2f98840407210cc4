-- A database as version 1 of the tables left it: see README.md.
PRAGMA application_id = 1398032193;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE chunk (
        chunk INTEGER PRIMARY KEY,  -- in the order of time
        run INTEGER NOT NULL REFERENCES run,
        host_mono_s REAL NOT NULL,
        missing INTEGER NOT NULL,
        sequence BLOB NOT NULL,
        mcu_us BLOB NOT NULL,
        counts BLOB NOT NULL
    ) STRICT;
INSERT INTO "chunk" VALUES(1,4,7.5,0,X'010100010100000002000000880A65EE789C0B08020000F400A3',X'010100040100000002000000A7B903DA789C6B9A24E5C8C6C6C000000A21017C',X'01020002020000000200000047059A2B789C6BA8636261676760000007CB0113');
INSERT INTO "chunk" VALUES(2,4,8.5,1,X'010100010100000002000000C2E6E487789C0B090300010000AB',X'0101000401000000020000008AB151BB789C5BB429A39F8D8D8101000F5B0258',X'0102000202000000020000007F7438C0789CABA9626062676760000007790107');
CREATE TABLE curve (
        run INTEGER PRIMARY KEY REFERENCES run,
        host_mono_s REAL NOT NULL,
        missing INTEGER NOT NULL,
        frames INTEGER NOT NULL,
        sequence BLOB NOT NULL,
        mcu_us BLOB NOT NULL,
        counts BLOB NOT NULL
    ) STRICT;
INSERT INTO "curve" VALUES(1,5.5,2,4,X'010100010100000004000000E5401F8E789C0B080A0903000338014D',X'010101040100000004000000E4BBC5B5789C6B12101090525757676380000010CA0148',X'0102010202000000040000001E1ED4AC789C6B60646464626266626780000008D00094');
CREATE TABLE event (
        event INTEGER PRIMARY KEY,
        run INTEGER NOT NULL REFERENCES run,
        mono_s REAL NOT NULL,
        kind TEXT NOT NULL,
        finding INTEGER NOT NULL REFERENCES finding
    ) STRICT;
INSERT INTO "event" VALUES(1,1,101.0,'mark',1);
CREATE TABLE finding (
        finding INTEGER PRIMARY KEY,
        run INTEGER NOT NULL REFERENCES run,
        code TEXT NOT NULL
    ) STRICT;
INSERT INTO "finding" VALUES(1,1,'mark');
INSERT INTO "finding" VALUES(2,1,'over_limit');
CREATE TABLE finding_figure (
        figure INTEGER PRIMARY KEY,
        finding INTEGER NOT NULL REFERENCES finding,
        name TEXT NOT NULL,
        value REAL,
        text TEXT  -- of a figure that is a word; its value is NULL
    ) STRICT;
INSERT INTO "finding_figure" VALUES(1,2,'drop_pa',6000.5,NULL);
INSERT INTO "finding_figure" VALUES(2,2,'largest_source',NULL,'volume');
CREATE TABLE judgement (
        judgement INTEGER PRIMARY KEY,
        test INTEGER NOT NULL REFERENCES test,
        outcome TEXT NOT NULL,
        probability REAL,
        confidence REAL
    ) STRICT;
INSERT INTO "judgement" VALUES(1,1,'fail',0.001,0.95);
CREATE TABLE judgement_limit (
        line INTEGER PRIMARY KEY,
        judgement INTEGER NOT NULL REFERENCES judgement,
        key TEXT NOT NULL,
        place INTEGER,  -- in a list of texts; NULL: one text alone
        text TEXT  -- NULL: an empty list
    ) STRICT;
INSERT INTO "judgement_limit" VALUES(1,1,'shape',NULL,'drop');
INSERT INTO "judgement_limit" VALUES(2,1,'at_most',0,'0.97 inHg');
INSERT INTO "judgement_limit" VALUES(3,1,'at_most',1,'3.3 kPa');
CREATE TABLE quantity (
        quantity INTEGER PRIMARY KEY,
        test INTEGER NOT NULL REFERENCES test,
        name TEXT NOT NULL,
        kind TEXT NOT NULL,
        value REAL,
        u REAL
    ) STRICT;
INSERT INTO "quantity" VALUES(1,1,'leak','standard flow',2.5e-08,1.0e-09);
CREATE TABLE quantity_source (
        source INTEGER PRIMARY KEY,
        quantity INTEGER NOT NULL REFERENCES quantity,
        name TEXT NOT NULL,
        u REAL
    ) STRICT;
INSERT INTO "quantity_source" VALUES(1,1,'volume',1.0e-09);
CREATE TABLE reason (
        reason INTEGER PRIMARY KEY,
        run INTEGER NOT NULL REFERENCES run,
        test INTEGER REFERENCES test,  -- NULL: of the run
        finding INTEGER NOT NULL REFERENCES finding
    ) STRICT;
INSERT INTO "reason" VALUES(1,1,1,2);
CREATE TABLE run (
        run INTEGER PRIMARY KEY AUTOINCREMENT,
        tag TEXT NOT NULL,  -- as planned; empty for a run of the rig alone
        family TEXT NOT NULL,
        variant TEXT NOT NULL,
        purpose TEXT NOT NULL,
        began_utc TEXT NOT NULL,  -- a label
        clock_was_set INTEGER NOT NULL,
        boot_id TEXT NOT NULL,
        began_mono_s REAL NOT NULL,
        plan TEXT NOT NULL,  -- JSON
        setup TEXT NOT NULL,  -- JSON
        ending TEXT,
        outcome TEXT,
        voided TEXT,  -- the reason
        CHECK ((ending IS NULL) = (outcome IS NULL))
    ) STRICT;
INSERT INTO "run" VALUES(1,'N01','pull-off','','before-fitting','2026-02-03T04:05:06.000007+00:00',1,'boot-a',100.25,'{"tag": "N01", "family": "pull-off", "variant": "", "purpose": "before-fitting", "tests": [{"name": "hold", "procedure": "hold", "limit": {"shape": "drop", "at_most": ["0.97 inHg", "3.3 kPa"]}, "settings": {}}], "confirmed": ["nipple_clear"], "note": ""}','{"bench_text": "name = \"Low Yard, bench 1\"\n", "channels": [["p0", 16, 6.144, true], ["t0", 12, 3.3, false]], "board": "pico", "firmware": "1.0", "program": "0.1", "rig_volume": {"volume_m3": {"value": 2.5e-05, "u": 2e-07, "sources": {"syringe": 2e-07}}, "measured_utc": null, "source": "syringe"}, "own_leak": null, "last_ambient_pa": 100000.0}','finished','fail',NULL);
INSERT INTO "run" VALUES(2,'n01','pull-off','','before-fitting','2026-02-04T04:05:06.000007+00:00',1,'boot-a',200.25,'{"tag": "n01", "family": "pull-off", "variant": "", "purpose": "before-fitting", "tests": [{"name": "hold", "procedure": "hold", "limit": {"shape": "drop", "at_most": ["0.97 inHg", "3.3 kPa"]}, "settings": {}}], "confirmed": ["nipple_clear"], "note": ""}','{"bench_text": "name = \"Low Yard, bench 1\"\n", "channels": [["p0", 16, 6.144, true], ["t0", 12, 3.3, false]], "board": "pico", "firmware": "1.0", "program": "0.1", "rig_volume": {"volume_m3": {"value": 2.5e-05, "u": 2e-07, "sources": {"syringe": 2e-07}}, "measured_utc": null, "source": "syringe"}, "own_leak": null, "last_ambient_pa": 100000.0}','stopped','invalid',NULL);
INSERT INTO "run" VALUES(3,'','pull-off','','before-fitting','2026-02-05T04:05:06.000007+00:00',1,'boot-a',300.25,'{"tag": "", "family": "pull-off", "variant": "", "purpose": "before-fitting", "tests": [{"name": "hold", "procedure": "hold", "limit": {"shape": "drop", "at_most": ["0.97 inHg", "3.3 kPa"]}, "settings": {}}], "confirmed": ["nipple_clear"], "note": ""}','{"bench_text": "name = \"Low Yard, bench 1\"\n", "channels": [["p0", 16, 6.144, true], ["t0", 12, 3.3, false]], "board": "pico", "firmware": "1.0", "program": "0.1", "rig_volume": {"volume_m3": {"value": 2.5e-05, "u": 2e-07, "sources": {"syringe": 2e-07}}, "measured_utc": null, "source": "syringe"}, "own_leak": null, "last_ambient_pa": 100000.0}','finished','pass',NULL);
INSERT INTO "run" VALUES(4,'N02','pull-off','','before-fitting','1970-01-01T00:01:40.250000+00:00',0,'boot-a',400.25,'{"tag": "N02", "family": "pull-off", "variant": "", "purpose": "before-fitting", "tests": [{"name": "hold", "procedure": "hold", "limit": {"shape": "drop", "at_most": ["0.97 inHg", "3.3 kPa"]}, "settings": {}}], "confirmed": ["nipple_clear"], "note": ""}','{"bench_text": "name = \"Low Yard, bench 1\"\n", "channels": [["p0", 16, 6.144, true], ["t0", 12, 3.3, false]], "board": "pico", "firmware": "1.0", "program": "0.1", "rig_volume": {"volume_m3": {"value": 2.5e-05, "u": 2e-07, "sources": {"syringe": 2e-07}}, "measured_utc": null, "source": "syringe"}, "own_leak": null, "last_ambient_pa": 100000.0}',NULL,NULL,NULL);
CREATE TABLE step (
        step INTEGER PRIMARY KEY,
        run INTEGER NOT NULL REFERENCES run,
        name TEXT NOT NULL,
        state TEXT NOT NULL,
        began_mono_s REAL NOT NULL,
        ended_mono_s REAL NOT NULL,
        first_sequence INTEGER NOT NULL,
        stop_sequence INTEGER NOT NULL,
        ended_by TEXT NOT NULL
    ) STRICT;
INSERT INTO "step" VALUES(1,1,'hold','holding',100.5,120.5,40,44,'done');
CREATE TABLE step_figure (
        figure INTEGER PRIMARY KEY,
        step INTEGER NOT NULL REFERENCES step,
        name TEXT NOT NULL,
        value REAL
    ) STRICT;
INSERT INTO "step_figure" VALUES(1,1,'lowest_pa',50000.125);
CREATE TABLE test (
        test INTEGER PRIMARY KEY,
        run INTEGER NOT NULL REFERENCES run,
        name TEXT NOT NULL,
        outcome TEXT NOT NULL
    ) STRICT;
INSERT INTO "test" VALUES(1,1,'hold','fail');
CREATE INDEX chunk_of_run ON chunk (run);
CREATE INDEX step_of_run ON step (run);
CREATE INDEX step_figure_of_step ON step_figure (step);
CREATE INDEX finding_of_run ON finding (run);
CREATE INDEX finding_figure_of_finding ON finding_figure (finding);
CREATE INDEX event_of_run ON event (run);
CREATE INDEX test_of_run ON test (run);
CREATE INDEX reason_of_run ON reason (run);
CREATE INDEX quantity_of_test ON quantity (test);
CREATE INDEX quantity_source_of_quantity ON quantity_source (quantity);
CREATE INDEX judgement_of_test ON judgement (test);
CREATE INDEX judgement_limit_of_judgement ON judgement_limit (judgement);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('run',4);
COMMIT;
