CREATE TABLE boot (
    id INTEGER PRIMARY KEY,
    boot_id TEXT NOT NULL UNIQUE
);
CREATE TABLE record (
    seq INTEGER PRIMARY KEY,
    boot INTEGER NOT NULL REFERENCES boot (id),
    mono_ms INTEGER NOT NULL,
    wall_ms INTEGER NOT NULL,
    kind TEXT NOT NULL,
    machine TEXT,
    body TEXT NOT NULL,
    crc INTEGER NOT NULL
);
CREATE INDEX record_wall ON record (wall_ms);
CREATE INDEX record_machine ON record (machine, seq) WHERE machine IS NOT NULL;
CREATE TABLE kept (
    machine TEXT PRIMARY KEY,
    lockout_by TEXT,
    lockout_emergency INTEGER,
    deferral_by TEXT,
    deferral_expires_wall_ms INTEGER,
    deferral_remaining_ms INTEGER,
    crc INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TABLE answered (
    id INTEGER PRIMARY KEY,
    input TEXT NOT NULL,
    event TEXT NOT NULL,
    decision TEXT NOT NULL,
    wall_ms INTEGER NOT NULL,
    crc INTEGER NOT NULL,
    UNIQUE (input, event)
);
CREATE VIEW journal AS
    SELECT seq, strftime('%Y-%m-%dT%H:%M:%fZ', wall_ms / 1000.0, 'unixepoch') AS at, kind, machine, body
    FROM record;
CREATE VIEW decisions AS
    SELECT seq, strftime('%Y-%m-%dT%H:%M:%fZ', wall_ms / 1000.0, 'unixepoch') AS at, machine,
        json_extract(body, '$.input') AS input,
        json_extract(body, '$.request') AS request,
        json_extract(body, '$.decision') AS decision,
        json_extract(body, '$.reason') AS reason,
        json_extract(body, '$.sentence') AS sentence,
        body
    FROM record WHERE kind = 'decision';
CREATE VIEW incidents AS
    SELECT seq, strftime('%Y-%m-%dT%H:%M:%fZ', wall_ms / 1000.0, 'unixepoch') AS at, machine,
        json_extract(body, '$.kind') AS incident,
        kind = 'incident-over' AS over,
        json_extract(body, '$.sentence') AS sentence,
        body
    FROM record WHERE kind IN ('incident', 'incident-over');
CREATE VIEW gaps AS
    SELECT seq, strftime('%Y-%m-%dT%H:%M:%fZ', wall_ms / 1000.0, 'unixepoch') AS at,
        json_extract(body, '$.from') AS since,
        json_extract(body, '$.why') AS why,
        json_extract(body, '$.lost') AS lost,
        json_extract(body, '$.held') AS held
    FROM record WHERE kind = 'gap';
CREATE VIEW lockouts AS
    SELECT machine, lockout_by AS by_input, lockout_emergency AS emergency
    FROM kept WHERE lockout_by IS NOT NULL;
CREATE VIEW deferrals AS
    SELECT machine, deferral_by AS by_input,
        strftime('%Y-%m-%dT%H:%M:%fZ', deferral_expires_wall_ms / 1000.0, 'unixepoch') AS expires
    FROM kept WHERE deferral_by IS NOT NULL;
