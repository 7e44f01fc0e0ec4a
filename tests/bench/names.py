"""What is measured, by name: the kinds of request, and the figures that promises speak of."""

FEW, MANY, WIDE = 14, 50, 242
"""Cars of the questions asked."""


def anew(question: str) -> str:
    """A question of which nothing that was worked out before holds any more."""
    return f"{question}, read anew"


PING = "ping (no database)"
ROW = "row (one platform)"
PAIRS_SCALARS_FEW = f"pairs alone, scalars, {FEW} cars"
PAIRS_SCALARS_MANY = f"pairs alone, scalars, {MANY} cars"
PAIRS_SCALARS_ANEW = anew(PAIRS_SCALARS_MANY)
PAIRS_SCALARS_WIDE = f"pairs alone, scalars, {WIDE} cars"
PAIRS_SCALARS_WIDE_ANEW = anew(PAIRS_SCALARS_WIDE)
PAIRS_CURVE_FEW = f"pairs alone, curve, {FEW} cars"
PAIRS_CURVE_MANY = f"pairs alone, curve, {MANY} cars"
PAIRS_CURVE_ANEW = anew(PAIRS_CURVE_MANY)
PAIRS_CURVE_WIDE = f"pairs alone, curve, {WIDE} cars"
PAIRS_CURVE_WIDE_ANEW = anew(PAIRS_CURVE_WIDE)
GAIN_SCALARS = f"gain, scalars, {MANY} cars"
GAIN_CACHED = f"gain with curve, {MANY} cars, asked before"
GAIN_NEW = f"gain with curve, {MANY} cars, a new question"
GAIN_AFTER_CHANGE = f"gain with curve, {MANY} cars, first after its part changed"
GAIN_AFTER_POST = f"gain with curve, {MANY} cars, first after a post"
GAIN_UNCHANGED = f"gain with curve, {MANY} cars, unchanged (304)"
STOCK_SPREAD = "stock spread, 300 cars"
STOCK_SPREAD_CACHED = "stock spread, 300 cars, asked before"
STOCK_SPREAD_AFTER_POST = "stock spread, 300 cars, first after a post"
PART_CHOICE = "part choice"
ODD_ONES = "outliers of a platform"
STATES = "a car's states"
OVERLAY = "a setup's curve over its pulls"
FIRST_PAGE = "list of sessions, first page"
DEEP_PAGE = "list of sessions, nine tenths deep"
POST = "post of 4 pulls"
POST_KEYED = "post of 4 pulls with a key"

GROWING = (
    PAIRS_SCALARS_FEW, PAIRS_SCALARS_MANY, PAIRS_SCALARS_ANEW, PAIRS_CURVE_FEW, PAIRS_CURVE_MANY, PAIRS_CURVE_ANEW,
    GAIN_CACHED, GAIN_NEW, GAIN_UNCHANGED, STOCK_SPREAD, STATES, OVERLAY, FIRST_PAGE, DEEP_PAGE, POST,
)  # fmt: skip
"""The kinds of request whose evidence is the same in every history."""

SQL_ROW = "SQL alone: row"
SQL_PAIRS = f"SQL alone: pairs of {MANY} cars"
SQL_CURVES = f"SQL alone: pairs of {MANY} cars with curves"
SQL_STOCK = "SQL alone: stock setups of 300 cars"
SQL_PAGE = "SQL alone: page of sessions"
ROW_OVER_PING = "row over ping"
RAW_POST = "storing the raw pulls alone, in the database"
LEDGER_POST = "keeping a posted session, without HTTP"

POST_OVER_RAW = "post of 4 pulls over storing its raw alone"
KEPT_OVER_RAW = "keeping it, without HTTP, over storing its raw alone"
BAYS_AT_ONCE = "8 bays posting at once over one"
POSTS_LOST, POSTS_DOUBLED = "posts lost", "posts doubled"
PAIRS_APART = "pairs unlike a rebuild's"
DISK_STEPPED = "disk per pull, resolution declared"
DISK_UNSTEPPED = "disk per pull, otherwise"
REFIT_MIN, REFIT_GB = "estimate of the model, CPU", "estimate of the model, most memory"
STANDBY_VISIBLE = "post visible on a standby, after its commit"
DEMO_READY = "demo ready"
PAGE_USABLE = "slowest page, everything drawn"
PSS_LOADED = "memory (PSS) of the service, loaded"
PSS_AFTER = "memory (PSS) of the service, after this run"


def growth(case: str) -> str:
    """The figure of how much slower a request is in the largest history than in the smallest."""
    return f"growth: {case}"


def over_sql(request: str) -> str:
    """The figure of how much longer a request takes than fetching its rows by SQL."""
    return f"{request}, over SQL alone"


def in_memory(figure: str) -> str:
    """A comparison with a rival in which the ledger has the evidence in memory."""
    return f"{figure}, evidence in memory"


def rival(name: str, question: str) -> str:
    """The figure of how much faster than a rival a question is answered."""
    return f"over {name}: {question}"


def slower(name: str, question: str) -> str:
    """The figure of how much slower than a rival."""
    return f"slower than {name}: {question}"


SQLITE, PANDAS, DUCKDB = "SQLite, the same tables", "pandas over Parquet", "DuckDB over Parquet"
"""What rivals call themselves of whom something is promised."""

TRUTH_MISSED = "rows of the calibration that missed their target"
