"""The passport of a tube: all that may be said of it to people outside, as plain values.

Promises: nothing is worked out here; each part comes from the room that owns it. No site, unit, coordinate,
time of day or person is in it, for nobody; the animal's code and days are only for who may see tubes. The
number of queries hardly grows with the number of tubes (with generations, and with loggers).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from biobank.checks import overrides, passport_words, preanalytical
from biobank.checks.facts import Link, facts_of, lineage
from biobank.checks.facts import chain as links_of
from biobank.checks.fit_access import whole
from biobank.checks.passport_custody import Chain, chain
from biobank.checks.passport_methods import Methods, Source, gained, methods
from biobank.checks.passport_thermal import Thermal, concerning, thermals
from biobank.checks.passport_tree import Kin, Tree, tree
from biobank.checks.passport_veil import Veil
from biobank.checks.passport_words import Fitness, Said, fitness
from biobank.checks.verdicts import InForce, Judged, in_force, judged
from biobank.core import codes
from biobank.models import Agency, Animal, Person, Tube, Workup
from biobank.models.field import Sex
from biobank.models.plans import Taxon
from biobank.templatetags.words import additive_words, matrix_words, plain, tube_code, volume
from custody import queries as ledger
from custody.core import gaps
from custody.core.refusal import Refused
from custody.core.rules import Facts
from custody.core.state import FILLED, Happening, TubeState

PAPERWORK = {"label_printed", "packed", "issued", "bound", "returned", "closed", "reserved", "released"}
READ_IN = {"original": "the paper's own table", "library": "a code library"}  # as on the tube's page
FROM_MEMORY = "no source: from memory"
MOST = 30  # tubes in one batch: each takes about a second to lay out
CUSTODY_SOURCE = (
    "In custody is what is in somebody's possession, in view, locked up by the holder, in a secured area "
    "with restricted access, or under a seal that opening breaks (after US EPA Region V, Manual of Custody, "
    "1978). Let pass, common practice, no source: 12 h in no unit, 24 h on the way when no time was agreed, "
    "30 min until an act is typed, 60 s of doubt about a change."
)


@dataclass(frozen=True)
class Letters:
    """The preanalytical code: kind and version of the standard; rows of (element, letter, meaning,
    where the letter was read).
    """

    code: str
    kind: str
    version: str
    rows: tuple[tuple[str, str, str, str], ...]


@dataclass(frozen=True)
class Proof:
    """The event of which a proof file is made: its id, number in the ledger, what it is."""

    event: str
    seq: int
    kind: str


@dataclass(frozen=True)
class Passport:
    """One tube. full: for somebody who may see tubes; assay: asked for one alone, its name; seq: the newest
    event of this tube; made_ms: as of when (UTC ms); since: what its life is counted from, in a word."""

    code: str
    label: str
    full: bool
    made_ms: int
    state: str
    identity: tuple[tuple[str, str], ...]
    family: Tree
    line: tuple[Kin, ...]
    siblings: int
    children: int
    custody: Chain
    thermal: Thermal | None
    thaws: int
    fitness: Fitness
    overrides: tuple[Said, ...]
    deviations: tuple[Said, ...]
    letters: Letters | None
    methods: Methods
    content: str
    programme: str
    since: str
    rule_set: str
    seq: int
    events: int
    proof: Proof | None
    assay: str = ""


def passport(tube: Tube, now_ms: int, who: Person, assay: str | None = None) -> Passport:
    """One tube's passport as `who` may read it. assay: for that one alone.

    Refused: tube_holds_nothing, assay_unknown.
    """
    return passports([tube], now_ms, who, assay)[0]


def passports(tubes: Sequence[Tube], now_ms: int, who: Person, assay: str | None = None) -> list[Passport]:
    """Those of many tubes, in their order. Refused: as one, with the tube; too_many_tubes."""
    if len(tubes) > MOST:
        raise Refused("too_many_tubes", f"At most {MOST} passports at once; these are {len(tubes)}.")
    law = in_force()
    if assay and assay not in {one.code for one in law.assays}:
        raise Refused("assay_unknown", f"There is no assay “{assay}” in the rules in force.")
    world = _known(tubes, now_ms, who, law, assay)
    return [_passport(tube, world) for tube in tubes]


# --- what is asked once for all -------------------------------------------------------------------


@dataclass
class _World:
    """Everything that was asked for all tubes at once."""

    now_ms: int
    veil: Veil
    law: InForce
    assay: str
    states: Mapping[str, TubeState]
    links: Mapping[str, list[Link]]
    told: Mapping[str, list[Happening]]
    children: Mapping[str, int]
    rows: Mapping[str, Tube]
    agencies: Mapping[str, str]
    roles: Mapping[str, str]
    judged: Mapping[str, Judged]
    thermals: Mapping[str, Thermal]
    letters: Mapping[str, Any]
    programme: str


def _known(tubes: Sequence[Tube], now_ms: int, who: Person, law: InForce, assay: str | None) -> _World:
    wanted = [one.code for one in tubes]
    states = ledger.states(wanted)
    for code in wanted:
        if code not in states or states[code].status not in FILLED:
            said = "This tube holds nothing yet, so there is nothing to write into a passport."
            raise Refused("tube_holds_nothing", said, code)
    told = lineage(wanted)
    links = {code: links_of(code, told) for code in wanted}
    line = {link.tube for found in links.values() for link in found}
    made: dict[str, int] = {}
    for one in ledger.find(parent__in=sorted(line)):
        made[str(one.parent)] = made.get(str(one.parent), 0) + 1
    people = {name for code in wanted for name in passport_words.people_of(told.get(code, ()))}
    return _World(
        now_ms, Veil(whole(who), who.programme.tz), law, assay or "", states, links, told, made,
        rows_of(line), dict(Agency.objects.values_list("code", "name")), passport_words.roles(people),
        _judged(wanted, now_ms, law, assay), thermals(wanted, now_ms),
        preanalytical.codes_of(wanted, now_ms), who.programme.name,
    )  # fmt: skip


def _judged(wanted: Sequence[str], now_ms: int, law: InForce, assay: str | None) -> Mapping[str, Judged]:
    """Facts and verdicts; without rules in force the facts alone."""
    if law.assays:
        return judged(wanted, now_ms, law, [assay] if assay else None)
    return {code: Judged(facts, []) for code, facts in facts_of(wanted, (), now_ms).items()}


def rows_of(line: set[str]) -> dict[str, Tube]:
    """The rows of these tubes with all that a passport reads of them. 1 query."""
    found = Tube.objects.select_related("tube_set__workup__animal__merged_into", "tube_set__plan__programme")
    return {one.code: one for one in found.filter(code__in=line)}


# --- one tube -------------------------------------------------------------------------------------


def _passport(tube: Tube, world: _World) -> Passport:
    code, state = tube.code, world.states[tube.code]
    said, links, here = world.told.get(code, []), world.links[code], world.judged[code]
    veil, since = world.veil, _since(here.facts)
    thermal = _quiet(world.thermals.get(code), here, since, veil)
    line = tuple(_kin(link, world) for link in links)
    siblings = world.children.get(str(state.parent), 1) - 1 if state.parent else 0
    given, children = overrides.in_history(said), world.children.get(code, 0)
    names = {one.code: str(one) for one in world.law.assays}
    custody = gaps.through([(link.tube, world.told[link.tube]) for link in reversed(links)], world.now_ms)
    return Passport(
        code, state.label or tube.label, veil.full, world.now_ms, plain(state.status),
        tuple(_identity(tube, state, here.facts, world)), tree(line, siblings, children), line,
        siblings, children, chain(custody, code, world.agencies, world.now_ms, veil), thermal,
        state.thaws, fitness(here.verdicts, given, world.law.label, veil, _why_none(world)),
        tuple(passport_words.overridden(_asked(given, world), here.verdicts, names, world.roles, veil)),
        tuple(passport_words.deviations(said, world.roles, veil)), _letters(world.letters.get(code), veil),
        methods(here.facts, _source(tube, state, here.facts, world), thermal),
        matrix_words(state.matrix or tube.matrix), _programme(tube, world),
        since, world.law.label, state.seq,
        sum(not one.voided for one in said), _proof(said), names.get(world.assay, ""),
    )  # fmt: skip


def _quiet(found: Thermal | None, here: Judged, since: str, veil: Veil) -> Thermal | None:
    """What is to be said of the readings of this tube, without days and times."""
    if found is None:
        return None
    rules = [one.rule for verdict in here.verdicts for one in verdict.findings]
    asked = {centi for one in rules for centi in (one.limit_centi, one.forbidden_centi) if centi is not None}
    found = concerning(found, asked, since)
    return replace(found, doubts=tuple(veil.clean(one) for one in found.doubts))


def _since(facts: Facts) -> str:
    """What its life is counted from."""
    return gained(facts.matrix)[1] if "drawn" in facts.acts else "first act"


def _asked(given: Sequence[overrides.Override], world: _World) -> list[overrides.Override]:
    return [one for one in given if not world.assay or one.assay == world.assay]


def _why_none(world: _World) -> str:
    if not world.law.label:
        return "No set of rules is in force, so nothing can be said about fitness."
    if world.assay:
        return "This assay does not take this kind of tube."
    return "No assay of the rules in force takes this kind of tube."


def _kin(link: Link, world: _World) -> Kin:
    row = world.rows.get(link.tube)
    words = row.label if row else ""
    made = any(one.kind == "aliquoted" and one.line.get("role") == "to" for one in link.said)
    drawn = any(one.kind == "drawn" for one in link.said)
    how = gained(row.matrix if row else "")[0] if drawn else ""
    return Kin(link.tube, words, "made from the one before" if made else how)


def _identity(tube: Tube, state: TubeState, facts: Facts, world: _World) -> list[tuple[str, str]]:
    """Term and value; what is not known is said to be so."""
    animal, veil = _animal(tube, world), world.veil
    holder = world.agencies.get(state.custodian or "", state.custodian or "nobody")
    drawn = facts.acts.get("drawn")
    parted = state.matrix in ("SER", "PL1", "BUF", "CEL")
    found = [
        ("Content", matrix_words(state.matrix or tube.matrix)),
        ("Blood drawn with" if parted else "Additive", additive_words(facts.additive)),
        ("Container", state.container or tube.container or "not known"),
        ("Volume left", volume(state.volume_ul)),
        ("Species", (animal.species if animal else "") or facts.species or "not known"),
        ("Species group", _group(tube, facts, world) or "not known"),
        ("Sex", Sex(animal.sex).label if animal else "Not known"),
        (gained(facts.matrix)[0].capitalize(), veil.day(drawn.at_ms) if drawn else "not known"),
        ("Programme", _programme(tube, world)),
        (
            "State",
            f"{plain(state.status)}, answered for by {holder}" if state.has_content else plain(state.status),
        ),
    ]
    if animal and veil.full:
        found.insert(4, ("Animal", animal.code))
    return found


def _animal(tube: Tube, world: _World) -> Animal | None:
    workup = _workup(tube, world)
    animal = workup.animal if workup else None
    return animal.merged_into or animal if animal else None


def _workup(tube: Tube, world: _World) -> Workup | None:
    """That of its set, or of the set of the tube that was drawn."""
    row = world.rows.get(tube.code, tube)
    if row.tube_set is None and (links := world.links[tube.code]):
        row = world.rows.get(links[0].tube, row)
    return row.tube_set.workup if row.tube_set else None


def _group(tube: Tube, facts: Facts, world: _World) -> str:
    row = world.rows.get(tube.code)
    taxon = facts.taxon or (row.tube_set.plan.taxon if row and row.tube_set else "")
    return str(Taxon(taxon).label) if taxon in Taxon.values else ""


def _programme(tube: Tube, world: _World) -> str:
    row = world.rows.get(tube.code)
    return row.tube_set.plan.programme.name if row and row.tube_set else world.programme


def _source(tube: Tube, state: TubeState, facts: Facts, world: _World) -> Source:
    animal, workup, veil = _animal(tube, world), _workup(tube, world), world.veil
    body = _body(workup) if workup else ""
    root = world.rows.get(world.links[tube.code][0].tube) if world.links[tube.code] else None
    drawn = facts.acts.get("drawn")
    return Source(
        (animal.species if animal else "") or facts.species, _group(tube, facts, world),
        Sex(animal.sex).label if animal and animal.sex != Sex.UNKNOWN else "",
        body if veil.full else "", bool(body) and not veil.full, bool(workup and workup.released),
        state.container or tube.container, root.container if root else "",
        veil.day(drawn.at_ms)[-4:] if drawn else "", _programme(tube, world),
    )  # fmt: skip


def _body(workup: Workup) -> str:
    """Mass and length as they were taken at the workup."""
    about = "about " if workup.mass_estimated else ""
    known = [f"mass {about}{workup.mass_g / 1000:g} kg" if workup.mass_g else ""]
    known.append(f"standard length {workup.length_mm / 10:g} cm" if workup.length_mm else "")
    return ", ".join(one for one in known if one)


def _letters(found: Any, veil: Veil) -> Letters | None:
    if found is None:
        return None
    rows = tuple(
        (one[0], one[1], veil.clean(one[2]), READ_IN.get(one[3], FROM_MEMORY)) for one in found.elements
    )
    return Letters(found.code, str(found.kind), str(found.version), rows)


def _proof(said: Sequence[Happening]) -> Proof | None:
    """The newest event that counts and names no place; a draw only where nothing else is known, because its
    time is that of the capture."""
    live = [one for one in said if not one.voided and one.kind not in PAPERWORK]
    quiet = [
        one for one in live if one.kind != "drawn" and not one.line.get("unit") and not one.data.get("unit")
    ]
    found = max(quiet or live, key=lambda one: one.seq, default=None)
    return Proof(found.id, found.seq, found.kind) if found else None


def shown(one: Passport) -> str:
    """The code as it is printed on its label."""
    return tube_code(one.code) if codes.is_valid(one.code) else one.code
