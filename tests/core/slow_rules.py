"""A second evaluator of rules, slow and made another way: it tries worlds.

A world says everything that the facts leave open: the true moment of every act, the temperature of every hour
that nobody measured, what an unnamed tube is of. In one world a rule is kept or broken; if it is kept in all,
the answer is pass, if it is broken in all, fail, else cannot tell. Shares of a budget are fractions.

Written from the definitions (the design's "fail if any fails, else cannot tell", the words of the facts and
of the kinds of rule), not from the code that it is compared with; it shares the values and nothing else.
"""

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise, permutations, product

S = 1000
FAR = 10**15  # longer than anything lasts, in ms
COMES_AGAIN = {"pulled", "thawed", "shipped", "received"}  # nobody need do them; the latest is known


def said_by(worlds):
    """pass, fail or cannot tell from how it ends in each world."""
    kept = set(worlds)
    assert kept <= {True, False} and kept
    return "cannot_tell" if len(kept) == 2 else "pass" if True in kept else "fail"


EITHER = [True, False]


def answered(rule, facts):
    """The answer; None when the rule is about no world of this tube."""
    about = {all(each) for each in product(*_tube_worlds(rule, facts))}
    if True not in about:
        return None
    said = KINDS[rule.kind](rule, facts)
    if False in about and said == "fail":
        return "cannot_tell"  # broken where it counts, nothing to break where it does not
    return said


def _tube_worlds(rule, facts):
    asked = [(rule.matrix, facts.matrix), (rule.additive, facts.additive), (rule.taxon, facts.taxon)]
    for wanted, known in asked:
        if wanted:
            yield [wanted == known] if known else EITHER
    if rule.material:
        words = facts.container.lower().replace("-", " ").split()
        yield [rule.material.lower() in words] if facts.container else EITHER


def worded(facts, assay, rules):
    """The verdict's word, by asking for the worst first."""
    about_it = [
        one for one in rules if one.assay in ("", assay.code) or (one.assay and one.assay == assay.family)
    ]
    found = [(one, answered(one, facts)) for one in about_it]
    found = [(one, said) for one, said in found if said is not None]
    sure = {id(one) for one in about_it if all(all(each) for each in product(*_tube_worlds(one, facts)))}
    stops = [said for one, said in found if one.severity == "stop"]
    if assay.min_ul is not None:
        left = facts.volume_ul
        stops.append("cannot_tell" if left is None else "pass" if left >= assay.min_ul else "fail")
    if "fail" in stops:
        return "not_fit"
    if not facts.additive and {a for m, a in assay.takes if m == facts.matrix and a}:
        stops += [] if (facts.matrix, "") in assay.takes else ["cannot_tell"]  # perhaps not this one
    thought_about = any(
        one.assay and one.severity in ("stop", "caution") and id(one) in sure for one, _ in found
    )
    if "cannot_tell" in stops or not thought_about:
        return "cannot_tell"
    return "fit" if {said for one, said in found if one.severity == "caution"} <= {"pass"} else "caution"


# --- acts ----------------------------------------------------------------------------------------------


def moments(one):
    """True times that the act may have had, seconds that matter included."""
    return [one.at_ms - one.unc_s * S, one.at_ms, one.at_ms + one.unc_s * S]


def need_not(act):
    return act in COMES_AGAIN


def interval(rule, facts):
    if rule.from_act not in facts.acts:
        return "pass" if need_not(rule.from_act) or rule.from_act == "frozen" else "cannot_tell"
    start = facts.acts[rule.from_act]
    end = _end(rule, facts)
    if end == "not yet":
        if need_not(rule.to_act) and (rule.from_act, rule.to_act) != ("shipped", "received"):
            return "pass"
        future = [facts.asof_ms, FAR]
        ends = [
            [one for one in [*future, *(begun + t for t in _marks(rule))] if one >= facts.asof_ms]
            for begun in moments(start)
        ]
        return said_by(
            [
                _kept(rule, one - begun)
                for begun, some in zip(moments(start), ends, strict=True)
                for one in some
            ]
            + [False]  # it never happens
        )
    if end[1] < start.at_ms or min(end) > facts.asof_ms:
        return "cannot_tell"
    spans = {b - a for a in moments(start) for b in end}
    inner = {t for t in _marks(rule) if min(spans) <= t <= max(spans)}
    return said_by([_kept(rule, span) for span in spans | inner])


def _end(rule, facts):
    """True times of the end, or "not yet"."""
    if rule.to_act in ("", "now"):
        return [facts.asof_ms] * 3
    if rule.to_act not in facts.acts:
        return "not yet"
    end = moments(facts.acts[rule.to_act])
    again = need_not(rule.from_act) and need_not(rule.to_act)
    if again and max(end) < min(moments(facts.acts[rule.from_act])):
        return "not yet"  # that was the end of an earlier one
    return end


def _marks(rule):
    limits = [one * S for one in (rule.at_least_s, rule.limit_s) if one is not None]
    return [one + step for one in limits for step in (-1, 0, 1)]


def _kept(rule, span):
    late = rule.limit_s is not None and span > rule.limit_s * S
    early = rule.at_least_s is not None and span < rule.at_least_s * S
    return not late and not early


def never(rule, facts):
    if rule.to_act == "thawed":
        return thaws(replace(rule, max_thaws=0), replace(facts, thaws=int("thawed" in facts.acts)))
    return "fail" if rule.to_act in facts.acts else "pass"


def spin(rule, facts):
    if "spun" not in facts.acts:
        return "cannot_tell"
    forces = [facts.spin_g] if facts.spin_g is not None else [0, 10**9]
    times = [facts.spin_minutes] if facts.spin_minutes is not None else [0, 10**9]
    return said_by([g >= rule.min_g and t >= rule.min_minutes for g in forces for t in times])


def spins(rule, facts):
    return said_by([max(facts.spins, int("spun" in facts.acts)) <= rule.max_spins])


# --- the tube ------------------------------------------------------------------------------------------


def thaws(rule, facts):
    most = max(facts.thaws, facts.seen_thaws) + facts.unseen_ms // 3_600_000
    return said_by([n <= rule.max_thaws for n in range(facts.thaws, most + 1)])


def volume(rule, facts):
    return said_by(EITHER if facts.volume_ul is None else [facts.volume_ul >= rule.min_ul])


def fill(rule, facts):
    if facts.drawn_ul is None or not facts.nominal_ul:
        return "cannot_tell"
    return said_by([Fraction(facts.drawn_ul, facts.nominal_ul) >= Fraction(rule.min_percent, 100)])


def grade(rule, facts):
    seen, measured = facts.grades.get(rule.grade_name), facts.indices.get(rule.grade_name)
    if rule.max_cmgdl is not None and measured is not None:
        return said_by([measured <= rule.max_cmgdl])
    if rule.max_grade is None or seen is None:
        return "cannot_tell"
    return said_by([seen <= rule.max_grade])


def container(rule, facts):
    if not facts.container:
        return "cannot_tell"
    return said_by([rule.container_has.lower() in facts.container.lower().replace("-", " ").split()])


def custody(rule, facts):
    return said_by([facts.disputes == 0 and len(facts.gaps) == 0])


def permit(rule, facts):
    return facts.permits.get(rule.permit_for, ("cannot_tell", ""))[0]


# --- temperatures ----------------------------------------------------------------------------------------


def lasts(one, facts):
    return (facts.asof_ms if one.end_ms is None else one.end_ms) - one.start_ms


def beyond(one, side, edge, facts):
    """Every time that a stay can have spent beyond an edge: the extremes."""
    whole, table = lasts(one, facts), getattr(one, side)
    if table is None or edge not in table or one.assumed_ms is None or one.no_data_ms is None:
        return [0, whole]
    measured = whole - one.assumed_ms - one.no_data_ms
    parts = [
        a
        for a in (0, one.assumed_ms, table[edge], table[edge] - measured)
        if _can_be(a, one, table[edge], measured)
    ]
    assert parts, "a table that contradicts itself"
    return [table[edge] - a + x for a in parts for x in (0, one.assumed_ms + one.no_data_ms)]


def _can_be(a, one, above, measured):
    """May so much of the time above have been assumed?"""
    return 0 <= a <= one.assumed_ms and 0 <= above - a <= measured


def sums(options):
    low, high = (sum(pick(one) for one in options) for pick in (min, max))
    return [low, high]


def temperature(rule, facts):
    if rule.phase == "between":
        return _between(rule, facts, _warm(rule))
    stays = [one for one in facts.phases if rule.phase in ("any", one.name)]
    if any(lasts(one, facts) < 0 for one in stays):
        return "cannot_tell"
    allowed = rule.allowed_s * S
    bad = sums([beyond(one, rule.side, rule.limit_centi, facts) for one in stays])
    if rule.phase == "any":
        if "drawn" not in facts.acts:
            return said_by([bad[0] <= allowed, False])
        placed = sum(lasts(one, facts) for one in stays)
        ages = [facts.asof_ms - one for one in moments(facts.acts["drawn"])]
        bad = [total + x for total in bad for age in ages for x in (0, max(age - placed, 0))]
    return said_by([total <= allowed for total in bad])


def _warm(rule):
    def worlds(stays, away, give, facts):
        for total in sums([beyond(one, rule.side, rule.limit_centi, facts) for one in stays]):
            for more in (0, away):
                for slip in (-give, 0, give):
                    yield max(total + more + slip, 0) <= rule.allowed_s * S

    return lambda *args: said_by(worlds(*args))


def _between(rule, facts, judged):
    if rule.from_act not in facts.acts:
        return "pass" if need_not(rule.from_act) or rule.from_act == "frozen" else "cannot_tell"
    start, end = moments(facts.acts[rule.from_act]), _end(rule, facts)
    end = [facts.asof_ms] * 3 if end == "not yet" else end
    if end[1] < start[1]:
        return "cannot_tell"
    stays = facts.between.get((rule.from_act, rule.to_act or "now"), ())
    if any(lasts(one, facts) < 0 for one in stays):
        return "cannot_tell"
    away = max(end[1] - start[1] - sum(lasts(one, facts) for one in stays), 0)
    return judged(stays, away, (start[1] - start[0]) + (end[2] - end[1]), facts)


def budget(rule, facts):
    return _between(rule, facts, _share(rule))


def _share(rule):
    bands = range(len(rule.bands))
    bears = [None if s is None else s * S for _, s in rule.bands]

    def cost(times):
        return sum((Fraction(ms, most) for ms, most in zip(times, bears, strict=True) if most), Fraction())

    def judged(stays, away, give, facts):
        splits = [_splits(rule, one, facts) for one in stays]
        worlds = []
        for chosen in product(*splits):
            known = [sum(times[k] for times, _ in chosen) for k in bands]
            dark = away + sum(ms for _, ms in chosen)
            for at in bands:
                pool = [ms + (dark if k == at else 0) for k, ms in enumerate(known)]
                shorter = {tuple(taken(pool, give, order)) for order in permutations(bands)}
                longer = [[ms + (give if k == to else 0) for k, ms in enumerate(pool)] for to in bands]
                worlds += [cost(one) <= 1 for one in [pool, *shorter, *longer]]
        return least_of(said_by(worlds), _never_above(rule, stays, away, give, facts))

    return judged


def least_of(*answers):
    return next((one for one in ("fail", "cannot_tell") if one in answers), "pass")


def _splits(rule, one, facts):
    """Every way to say which of a stay's time by bands was measured; and what is then not measured."""
    whole, edges = lasts(one, facts), [edge for edge, _ in rule.bands[:-1]]
    dark = one.assumed_ms is None or one.no_data_ms is None or one.above is None
    if dark or any(edge not in one.above for edge in edges):
        return [((0,) * len(rule.bands), whole)]
    over = [whole - one.no_data_ms, *(one.above[edge] for edge in edges), 0]
    times = [a - b for a, b in pairwise(over)]
    ways = {tuple(taken(times, one.assumed_ms, order)) for order in permutations(range(len(times)))}
    return [(way, one.assumed_ms + one.no_data_ms) for way in ways]


def taken(times, ms, order):
    left = list(times)
    for k in order:
        some = min(left[k], ms)
        left[k], ms = left[k] - some, ms - some
    return left


def _never_above(rule, stays, away, give, facts):
    if rule.forbidden_centi is None:
        return "pass"
    low, high = sums([beyond(one, "above", rule.forbidden_centi, facts) for one in stays])
    return said_by([max(low - give, 0) == 0, high + away + give == 0])


KINDS = {
    "interval": interval, "never": never, "temperature": temperature, "budget": budget, "thaws": thaws,
    "volume": volume, "fill": fill, "grade": grade, "spin": spin, "spins": spins, "container": container,
    "custody": custody, "permit": permit,
}  # fmt: skip
