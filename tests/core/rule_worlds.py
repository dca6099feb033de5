"""Random rules and tubes in small whole seconds, so that values meet their limits all the time."""

from dataclasses import dataclass, replace

from hypothesis import strategies as st

from custody.core.rules import ACTS, Assay, Facts, Moment, Rule

START = 1_780_000_000_000
S = 1000
ASOF = START + 12 * S
EDGES = (-2000, 400, 2500)
CENTI = st.sampled_from([-8000, -2000, -1999, 400, 401, 2500, 2501])  # at edges and just over them
KNOWN = st.sampled_from(["measured", "measured", "measured", "assumed", "nothing"])
few = st.integers(0, 6)


@dataclass(frozen=True)
class Stay:
    """What a rule reads of a stretch of storage."""

    name: str
    start_ms: int
    end_ms: int | None
    assumed_ms: int | None
    no_data_ms: int | None
    above: dict | None
    below: dict | None


def stay(name, start_s, parts, *, lasts=False):
    """Parts: (seconds, hundredths of °C, how known). Set points count in the tables, nothing unknown."""

    def time(keep):
        return sum(seconds * S for seconds, centi, known in parts if keep(centi, known))

    tables = [
        {
            edge: time(lambda c, k, e=edge, w=warm: k != "nothing" and (c > e if w else c < e))
            for edge in EDGES
        }
        for warm in (True, False)
    ]
    start = START + start_s * S
    end = start + time(lambda c, k: True)
    dark = time(lambda c, k: k == "nothing")
    return Stay(name, start, None if lasts else end, time(lambda c, k: k == "assumed"), dark, *tables)


parts = st.lists(st.tuples(st.integers(0, 3), CENTI, KNOWN), max_size=3)


@st.composite
def stays(draw, name=None):
    name = name or draw(st.sampled_from(["frozen", "cold", "ambient"]))
    made = stay(name, draw(few), draw(parts))
    odd = draw(st.sampled_from([""] * 12 + ["reversed", "no table", "an edge less", "nothing", "lasts"]))
    if odd == "reversed":
        return replace(made, end_ms=made.start_ms - 1)
    if odd == "no table":
        return replace(made, above=None, below=None)
    if odd == "an edge less":
        less = {edge: ms for edge, ms in made.above.items() if edge != draw(st.sampled_from(EDGES))}
        return replace(made, above=less)
    if odd == "nothing":
        return replace(made, **{draw(st.sampled_from(["assumed_ms", "no_data_ms"])): None})
    if odd == "lasts" and made.end_ms is not None:
        return replace(made, end_ms=None, no_data_ms=made.no_data_ms + max(ASOF - made.end_ms, 0))
    return made


moments = st.builds(
    Moment,
    st.integers(-2, 12).map(lambda s: START + s * S),
    st.sampled_from([0, 0, 0, 1, 2, 3]),
    st.just("e"),
)
TAXA, ADDITIVES, MATRICES = ["", "mammal", "bird"], ["", "SST", "NONE"], ["", "SER", "PL1"]
CONTAINERS = ["", "Amber Glass vial", "PET tube", "PE-tube"]
FROM = [*ACTS[1:4], "frozen", "thawed", "shipped"]
TO = [*ACTS[1:4], "thawed", "received", "shipped", "now"]
SPANS = [(a, b) for a in FROM for b in TO if a != b]


def maybe(strategy):
    return st.none() | strategy


@st.composite
def tubes(draw):
    between = {
        key: tuple(draw(st.lists(stays(), max_size=2)))
        for key in draw(st.lists(st.sampled_from(SPANS), max_size=3, unique=True))
    }
    names = draw(st.sets(st.sampled_from([*FROM, "received"]), min_size=1))
    grades = st.dictionaries(st.just("haemolysis"), st.integers(0, 4))
    word = st.sampled_from(["pass", "fail", "cannot_tell"])
    return Facts(
        "T", ASOF, draw(st.sampled_from(MATRICES)), draw(st.sampled_from(ADDITIVES)),
        draw(st.sampled_from(CONTAINERS)), acts={name: draw(moments) for name in sorted(names)},
        spin_g=draw(maybe(st.integers(1, 3))), spin_minutes=draw(maybe(st.integers(1, 3))),
        volume_ul=draw(maybe(few)), nominal_ul=draw(maybe(few)), drawn_ul=draw(maybe(few)),
        short=draw(st.booleans()), thaws=draw(st.integers(0, 3)), seen_thaws=draw(st.integers(0, 3)),
        unseen_ms=draw(st.sampled_from([0, 3_599_999, 3_600_000, 7_200_000])),
        grades=draw(grades), indices=draw(grades), phases=tuple(draw(st.lists(stays(), max_size=3))),
        between=between, disputes=draw(st.integers(0, 1)), taxon=draw(st.sampled_from(TAXA)),
        spins=draw(st.integers(0, 3)), gaps=draw(st.sampled_from([(), ("Not shown.",)])),
        permits=draw(st.dictionaries(st.sampled_from(["take", "hold"]), st.tuples(word, st.just("Said.")))),
    )  # fmt: skip


@st.composite
def bands(draw):
    edges = sorted(draw(st.sets(st.sampled_from(EDGES), max_size=2)))
    return tuple((edge, draw(maybe(st.integers(1, 6)))) for edge in [*edges, None])


@st.composite
def rules(draw, kinds=None, bare=False):
    kind = draw(st.sampled_from(kinds or [
        "interval", "never", "temperature", "budget", "thaws", "volume", "fill", "grade", "spin", "spins",
        "container", "custody", "permit"]))  # fmt: skip
    said = {
        "severity": draw(st.sampled_from(["stop", "caution", "note"])),
        "assay": draw(st.sampled_from(["A", "A", "FAMILY", "", "B"])),
        "hint": draw(st.sampled_from(["", "A hint."])),
    }
    if not bare:
        said |= {
            "matrix": draw(st.sampled_from(["", "", *MATRICES])),
            "additive": draw(st.sampled_from(["", "", *ADDITIVES])),
            "taxon": draw(st.sampled_from(["", "", *TAXA])),
            "material": draw(st.sampled_from(["", "", "glass", "PE"])),
        }
    return Rule("r", kind, evidence="human", source="a test", **said, **draw(_own(kind)))


@st.composite
def _own(draw, kind):
    if kind in ("interval", "temperature", "budget"):
        span = dict(zip(("from_act", "to_act"), draw(st.sampled_from(SPANS)), strict=True))
        return draw(_timed(kind, span))
    return draw({
        "never": st.fixed_dictionaries({"to_act": st.sampled_from(FROM)}),
        "thaws": st.fixed_dictionaries({"max_thaws": st.integers(0, 4)}),
        "volume": st.fixed_dictionaries({"min_ul": few}),
        "fill": st.fixed_dictionaries({"min_percent": st.sampled_from([0, 50, 90, 100])}),
        "grade": st.sampled_from([(1, None), (0, None), (None, 0), (None, 2), (1, 0), (0, 3)]).map(
            lambda most: {"grade_name": "haemolysis", "max_grade": most[0], "max_cmgdl": most[1]}),
        "spin": st.fixed_dictionaries({"min_g": st.integers(1, 3), "min_minutes": st.integers(1, 3)}),
        "spins": st.fixed_dictionaries({"max_spins": st.integers(0, 3)}),
        "container": st.fixed_dictionaries({"container_has": st.sampled_from(["glass", "PE", "tube"])}),
        "custody": st.just({}),
        "permit": st.fixed_dictionaries({"permit_for": st.sampled_from(["take", "hold"])}),
    }[kind])  # fmt: skip


@st.composite
def _timed(draw, kind, span):
    if kind == "interval":
        least, most = draw(maybe(few)), draw(maybe(few))
        if least is not None and most is not None:
            least, most = min(least, most), max(least, most)
        elif least is None and most is None:
            most = draw(few)
        return span | {"at_least_s": least, "limit_s": most}
    if kind == "budget":
        found = draw(bands())
        forbidden = draw(maybe(st.sampled_from(EDGES)))
        if forbidden is None and all(s is None for _, s in found):
            forbidden = 400
        return span | {"bands": found, "forbidden_centi": forbidden}
    phase = draw(st.sampled_from(["frozen", "cold", "ambient", "any", "between", "between"]))
    limits = {"side": draw(st.sampled_from(["above", "below"])), "limit_centi": draw(st.sampled_from(EDGES))}
    return (span if phase == "between" else {}) | limits | {"phase": phase, "allowed_s": draw(few)}


assays = st.builds(Assay, st.just("A"), family=st.sampled_from(["", "FAMILY"]), min_ul=maybe(few)) | st.just(
    Assay("FAMILY")
)
