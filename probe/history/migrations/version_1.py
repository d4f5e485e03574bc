"""The first schema. Times are texts of one width in UTC, so that they sort as they are."""

STATEMENTS = (
    """
    CREATE TABLE runs (
        id INTEGER PRIMARY KEY AUTOINCREMENT, -- the order of runs, whatever a clock said
        plan TEXT NOT NULL, -- the plan's name
        digest TEXT, -- SHA-256 of the plan file
        began TEXT NOT NULL,
        ended TEXT NOT NULL,
        machine TEXT NOT NULL, -- '' where it is not known, as vantage
        vantage TEXT NOT NULL,
        tool TEXT NOT NULL,
        interrupted INTEGER NOT NULL,
        questions INTEGER NOT NULL,
        unseen INTEGER NOT NULL,
        nodes TEXT NOT NULL, -- JSON: names
        endpoints TEXT NOT NULL, -- JSON: words
        survey BLOB NOT NULL -- its saved form, compressed, without certificates and bodies
    )
    """,
    "CREATE TABLE certificates (sha256 TEXT PRIMARY KEY, der BLOB NOT NULL)",
    "CREATE TABLE bodies (sha256 TEXT PRIMARY KEY, octets BLOB NOT NULL)",
    """
    CREATE TABLE run_certificates (
        run INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
        sha256 TEXT NOT NULL REFERENCES certificates,
        PRIMARY KEY (run, sha256)
    ) WITHOUT ROWID
    """,
    """
    CREATE TABLE run_bodies (
        run INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
        sha256 TEXT NOT NULL REFERENCES bodies,
        PRIMARY KEY (run, sha256)
    ) WITHOUT ROWID
    """,
    # Outlives the runs: since when a certificate is served stays known when they are pruned.
    """
    CREATE TABLE sightings (
        plan TEXT NOT NULL,
        sha256 TEXT NOT NULL REFERENCES certificates,
        endpoint TEXT NOT NULL,
        place TEXT NOT NULL, -- the node, or the address where several stand behind it
        first_at TEXT NOT NULL,
        last_at TEXT NOT NULL,
        PRIMARY KEY (plan, sha256, endpoint, place)
    ) WITHOUT ROWID
    """,
    # What a machine was last told to each question: found without reading any survey.
    """
    CREATE TABLE latest (
        plan TEXT NOT NULL,
        machine TEXT NOT NULL,
        vantage TEXT NOT NULL,
        question TEXT NOT NULL,
        observed INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE, -- anything was seen
        served INTEGER REFERENCES runs ON DELETE SET NULL, -- a chain was
        PRIMARY KEY (plan, machine, vantage, question)
    ) WITHOUT ROWID
    """,
    # Without these, forgetting a run or a certificate would look through whole tables.
    "CREATE INDEX run_certificates_by_sha256 ON run_certificates (sha256)",
    "CREATE INDEX run_bodies_by_sha256 ON run_bodies (sha256)",
    "CREATE INDEX sightings_by_sha256 ON sightings (sha256)",
    "CREATE INDEX latest_by_observed ON latest (observed)",
    "CREATE INDEX latest_by_served ON latest (served)",
)
