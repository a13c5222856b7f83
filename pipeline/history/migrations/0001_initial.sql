CREATE TABLE source_file (
    source_id INTEGER NOT NULL,
    sha256 VARCHAR NOT NULL,
    name VARCHAR NOT NULL,
    size BIGINT NOT NULL,
    layout VARCHAR NOT NULL,
    layout_version BIGINT NOT NULL,
    layout_text VARCHAR NOT NULL,
    zone VARCHAR,
    taken_by_hand BOOLEAN NOT NULL,
    loaded_at TIMESTAMP NOT NULL,
    lines BIGINT NOT NULL,
    preamble BIGINT NOT NULL,
    header BIGINT NOT NULL,
    units BIGINT NOT NULL,
    blank BIGINT NOT NULL,
    footer BIGINT NOT NULL,
    accepted BIGINT NOT NULL,
    duplicate BIGINT NOT NULL,
    quarantined BIGINT NOT NULL,
    readings BIGINT NOT NULL,
    conflicts BIGINT NOT NULL,
    metadata VARCHAR,
    warnings VARCHAR,
    CHECK (lines = preamble + header + units + blank + footer + accepted + duplicate + quarantined)
);

-- No primary key: an index on the big table costs ten times the insert and breaks replay of the log.
CREATE TABLE reading (
    source_id INTEGER NOT NULL,
    line BIGINT NOT NULL,
    replicate SMALLINT NOT NULL,
    measured_at TIMESTAMP NOT NULL,
    clock VARCHAR NOT NULL,
    meter VARCHAR NOT NULL,
    probe VARCHAR,
    "operator" VARCHAR,
    role VARCHAR NOT NULL,
    lot VARCHAR,
    part VARCHAR,
    spot VARCHAR,
    block VARCHAR,
    "sequence" BIGINT,
    "value" DOUBLE,
    unit VARCHAR NOT NULL,
    value_ms_per_m DOUBLE,
    non_reading VARCHAR,
    "count" BIGINT,
    standard_deviation DOUBLE,
    temperature_c DOUBLE,
    temperature_state VARCHAR NOT NULL,
    temperature_source VARCHAR,
    frequency_khz DOUBLE,
    thickness_mm DOUBLE,
    coating_um DOUBLE,
    radius_mm DOUBLE,
    curvature_compensated BOOLEAN,
    sensor VARCHAR,
    run VARCHAR,
    remark VARCHAR,
    occurrence INTEGER NOT NULL,
    conflict BOOLEAN NOT NULL,
    CHECK (value IS NOT NULL OR non_reading IS NOT NULL)
);

CREATE TABLE quarantine (
    quarantine_id BIGINT NOT NULL,
    source_id INTEGER NOT NULL,
    line BIGINT NOT NULL,
    "column" VARCHAR,
    reason VARCHAR NOT NULL,
    sentence VARCHAR NOT NULL,
    original VARCHAR NOT NULL,
    state VARCHAR NOT NULL DEFAULT 'new',
    decided_by VARCHAR,
    decided_why VARCHAR
);

-- A file that was not loaded: what was wrong, until it is loaded or changes.
CREATE TABLE held_file (
    sha256 VARCHAR NOT NULL,
    name VARCHAR NOT NULL,
    size BIGINT NOT NULL,
    reason VARCHAR NOT NULL,
    sentence VARCHAR NOT NULL,
    held_at TIMESTAMP NOT NULL
);

CREATE TABLE event (
    "sequence" BIGINT NOT NULL,
    "at" TIMESTAMP NOT NULL,
    kind VARCHAR NOT NULL,
    subject VARCHAR NOT NULL,
    "by" VARCHAR NOT NULL,
    why VARCHAR NOT NULL,
    previous_hash VARCHAR NOT NULL,
    hash VARCHAR NOT NULL
);

-- The text of a reference table as it was taken over; the last one of a name holds.
CREATE TABLE reference_text (
    name VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    content VARCHAR NOT NULL,
    recorded_at TIMESTAMP NOT NULL,
    "sequence" BIGINT NOT NULL
);

CREATE TABLE baseline (
    meter VARCHAR NOT NULL,
    probe VARCHAR,
    frequency_khz DOUBLE,
    block VARCHAR NOT NULL,
    phase TIMESTAMP,
    first_at TIMESTAMP NOT NULL,
    last_at TIMESTAMP NOT NULL,
    checks BIGINT NOT NULL,
    centre DOUBLE NOT NULL,
    standard_deviation DOUBLE NOT NULL,
    unit VARCHAR NOT NULL,
    reference_temperature_c DOUBLE NOT NULL,
    named BOOLEAN NOT NULL,
    "sequence" BIGINT NOT NULL
);

-- The last verdict given for a lot: what a change of a certificate or a limit is compared with.
CREATE TABLE verdict_given (
    lot VARCHAR NOT NULL,
    verdict VARCHAR NOT NULL,
    support VARCHAR NOT NULL,
    as_of TIMESTAMP NOT NULL
);
