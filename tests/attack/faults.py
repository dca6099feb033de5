# ruff: noqa: E501 (text to be broken stands as it stands in its file)
"""Faults to put into the ledger's code on purpose, one at a time: file, text, what it becomes.

Each breaks one named invariant or guard. breakage.py puts them in and says which the tests notice;
test_breakage.py holds that each text is still there, once.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """`old` stands once in `file`. on: where it can show (a row lock is nothing to SQLite)."""

    file: str
    old: str
    new: str
    on: str = "sqlite"

    @property
    def name(self) -> str:
        return f"{self.file}: {' '.join(self.old.split())[:70]}  →  {' '.join(self.new.split())[:50]}"


def of(file: str, *pairs: tuple[str, str], on: str = "sqlite") -> list[Fault]:
    return [Fault(f"custody/{file}", old, new, on) for old, new in pairs]


EFFECTS = of(
    "core/effects.py",
    ('if state.status not in {"unknown", "void"}:', "if False:"),  # label_once
    ("if state.workup not in (None, workup):", "if False:"),  # bound_once
    ('if state.status == "not_collected":\n        return _no(', "if False:\n        return _no("),
    ('if state.status != "labelled":\n        when', "if False:\n        when"),  # drawn_once
    ('if state.status != "labelled":\n        return _no(state, "already', 'if 0:\n        return _no(state, "already'),
    ('case "discarded":\n            return [', 'case "never":\n            return ['),  # nothing_after_discard
    ('case "unknown":', 'case "never":'),  # tube_unknown
    ('case "void":', 'case "never":'),  # tube_void
    ('if state.status == "labelled":', "if False:"),  # tube_not_drawn
    ('if state.status == "not_collected":\n        return [', "if False:\n        return ["),
    ("if state.custodian == said.org:\n        return OK", "if True:\n        return OK"),  # not_the_custodian
    ("if left < 0:", "if left <= 0:"),  # volume_not_negative, the last drop
    ("if left < 0:", "if left < -1:"),
    ("state, volume_ul=0, by=said.by", "state, volume_ul=left, by=said.by"),
    ('if state.status not in {"unknown", "labelled"}:', "if False:"),  # child_already_made
    ('parent=line["of"], volume_ul=line["ul"]', 'parent=None, volume_ul=line["ul"]'),  # child_has_parent
    ("if state.custodian != said.org:\n        return _no(\n            state, \"giver", "if False:\n        return _no(\n            state, \"giver"),
    ("if state.pending_to:\n", "if False:\n"),  # handed_off_twice
    ("if state.pending_to != said.org:\n", "if False:\n"),  # receiver_was_addressed
    ("if state.pending_ref is None or state.pending_ref != said.ref:\n        return _unexpected", "if state.pending_ref is None:\n        return _unexpected"),
    ("if result not in IN_HAND:", "if False:"),  # a missing tube stays with the giver
    ('trouble = 0 if result == "ok" else 1', "trouble = 0"),
    ('return 1 if state.status == "in_transit" and state.disputes else 0', "return 0"),
    ('if said.line["result"] == "extra":', "if False:"),
    ('if state.custodian == said.org:\n        return _no(state, "handoff_answered_once"', 'if False:\n        return _no(state, "handoff_answered_once"'),
    ('if state.pending_ref is None or state.pending_ref != said.ref:\n        return _no', "if state.pending_ref is None:\n        return _no"),
    ('if said.kind == "refused" and said.org != state.pending_to:', "if False:"),
    ('if said.kind == "withdrawn" and said.org != state.custodian:', "if False:"),
    ('back = "stored" if state.unit else "held"', 'back = "held"'),
    ('if state.status == "stored":\n        return _no(state, "tube_already_stored"', 'if False:\n        return _no(state, "tube_already_stored"'),
    ("row is not None and col is not None and row >= 1 and col >= 1", "row is not None and col is not None and row >= 0 and col >= 1"),
    ('if state.status == "in_transit":\n        return _no(', "if False:\n        return _no("),
    ('if state.status != "stored":', "if False:"),  # not_stored
    ("thaws=state.thaws + 1", "thaws=max(1, state.thaws)"),  # thaws_counted
    ('(replace(state, seen_ms=said.at_ms) if said.line["result"] == "seen" else state)', "replace(state, seen_ms=said.at_ms)"),
    ("disputes=state.disputes + 1), OK\n\n\ndef dispute_resolved", "disputes=1), OK\n\n\ndef dispute_resolved"),
    ("if not state.disputes:", "if False:"),  # nothing_to_resolve
    ("return replace(state, disputes=state.disputes - 1), OK", "return replace(state, disputes=0), OK"),
    ("return replace(state, reserved=True), OK", "return state, OK"),
    ("return replace(state, reserved=False), OK", "return state, OK"),
    ("copies=s.copies + 1", "copies=1"),
    ("return state if state.row is None else _out(state)", "return _out(state)"),
    ("unit=None, row=None, col=None, contested=False", "row=None, col=None, contested=False"),
)  # fmt: skip

FOLD = of(
    "core/fold.py",
    ("FUTURE_MS = 5 * 60_000", "FUTURE_MS = 5 * 60_000 + 1"),
    ("return said.at_ms, 0, rank", "return said.seq, 0, rank"),
    ("return max(said.at_ms, answered), 1", "return said.at_ms, 1"),
    ("return max(said.at_ms, answered), 1", "return max(said.at_ms, answered), 0"),
    ("rank = KINDS[said.kind].rank", "rank = 0"),
    ("[one for one in said if not one.voided], key=order", "said, key=order"),  # a void takes out
    ("if amendment.id not in dead:", "if True:"),  # a void of a void restores
    ("return max(fixes, key=", "return min(fixes, key="),  # the newest correction
    ('new.get("n") == said.n', "True"),  # the line that is meant
    ("return said if moved is None else said._replace(ref_at_ms=moved)", "return said"),
    ("if one.id in live else one for one in said]", "if one.id in live and one.id in dead else one for one in said]"),
    ('return TubeState(tube, status="void") if void else TubeState(tube)', "return TubeState(tube)"),
    ('return [("time_in_future", "This time lies in the future.")] if ahead else []', "return []"),
    ('if problem.code == "tube_not_drawn" and drawn', 'if problem.code == "never" and drawn'),
    ('return [("aliquot_balances", overdrawn[said.id])] if known else []', "return []"),
    ("if len(tubes) > 1 for tube in tubes", "if len(tubes) > 2 for tube in tubes"),  # slot_once
    ("    return at is not None\n", "    return False\n"),  # a unit inside itself
    ("marks.append((max(one.at_ms, one.ref_at_ms or one.at_ms), _place(state)))", "marks.append((one.at_ms, _place(state)))"),
    ("last_ms = counts[-1].at_ms if", "last_ms = counts[-1].recorded_ms if"),
    ("if wrong or overdrawn or one.at_ms > one.recorded_ms:", "if wrong:"),
    ("if len(counts) == len(said) else begun(tube, said)", "if True else begun(tube, said)"),
    ("last_ms=last_ms, seq=max(", "last_ms=last_ms, seq=min("),
)  # fmt: skip

KINDS = of(
    "core/kinds.py",
    ("if given > taken else", "if given > taken + 1 else"),  # aliquot_balances
    ('given, taken = data.get("loss_ul") or 0, 0', "given, taken = 0, 0"),
    ("    how = act.data[\"how\"]\n", "    how = \"hand\"\n"),
    ('odd = {line["result"] for line in act.lines} - RESULTS[act.kind]', "odd: set[str] = set()"),
    ("any((line.get(name) or 0) > 4", "any((line.get(name) or 0) > 5"),
    ('odd = act.data["reason"] not in REASONS', "odd = False"),
    ("if kind.lines and not act.lines:", "if False:"),
    ("if len(set(named)) < len(named):", "if False:"),
    ("        if name not in spec:\n", "        if False:\n"),
    ('if value is None and not wanted.endswith("?"):', "if False:"),
    ("isinstance(value, int) and not isinstance(value, bool) and value >= 0", "isinstance(value, int) and value >= 0"),
    ("isinstance(value, int) and not isinstance(value, bool) and value >= 0", "isinstance(value, int) and not isinstance(value, bool)"),
    ('isinstance(value, str) and value != ""', "isinstance(value, str)"),
)  # fmt: skip

CANON = of(
    "core/canon.py",
    ("LARGEST = 2**53 - 1", "LARGEST = 2**53"),
    ("DEEPEST = 6", "DEEPEST = 7"),
    ('[a-z][a-z0-9_]*\\Z"', '[a-z][a-z0-9_]*"'),
    ("sort_keys=True, separators", "sort_keys=False, separators"),
    ("ensure_ascii=False)", "ensure_ascii=True)"),
    ('b"\\x00" + data', "data"),
    ('b"\\x01" + left + right', "left + right"),
    ("if any(\"\\ud800\" <= letter", "if False and any(\"\\ud800\" <= letter"),
    ('if not unicodedata.is_normalized("NFC", value):', "if False:"),
) + of(
    "core/tree.py",
    ('hidden = sha256(salt + index.to_bytes(4, "big"))', "hidden = sha256(salt)"),
    ("return row[0] if len(row) == 1 else root(row)", "return row[0] if row else root(row)"),
    ('return hashlib.sha256(salt + index.to_bytes(4, "big"))', "return hashlib.sha256(salt)"),  # two equal lines would look equal to outsiders
    ('if "\\n" in login or "\\n" in via:', "if False:"),
    ("{recorded_ms}\\n{login}\\n{header}\\n{via}", "{recorded_ms}\\n{login}\\n{header}"),
    ("{recorded_ms}\\n{login}\\n{header}\\n{via}", "{recorded_ms}\\n\\n{header}\\n{via}"),
)  # fmt: skip

RECORD = of(
    "record.py",
    ("MOST_LINES = 1_000", "MOST_LINES = 1_001"),
    ("if len(body) > LONGEST_BODY:", "if False:"),
    ("    triggers.require()\n", ""),
    ("transaction.atomic(durable=True)", "transaction.atomic()"),
    ("        if there := _known(written):\n            return there\n", ""),
    ("        if before:\n            before()\n", "        pass\n"),
    ('        head.save(update_fields=["size", "recorded_ms"])\n', ""),
    ('update_fields=["size", "recorded_ms"]', 'update_fields=["size"]'),
    ("wrong = _event_wrongs(written) if strict else []", "wrong = []"),
    ("if strict and (first := next(iter([*wrong, *problems]), None)):", "if first := next(iter([*wrong, *problems]), None):"),
    ("if strict and (first := next(iter([*wrong, *problems]), None)):", "if strict and (first := next(iter(wrong), None)):"),
    ("refuse_contest=strict", "refuse_contest=False"),
    ("head.recorded_ms = max(head.recorded_ms, now)", "head.recorded_ms = now"),
    ("salt = os.urandom(16)", "salt = bytes(16)"),
    ("not _same(event.body, one) or texts", "texts"),
    (" or texts[one.act.id] != one.texts", ""),
    ("event is None or not _same", "event is not None and not _same"),
    ('for name in ("kind", "by", "org", "data", "ref")', 'for name in ("kind", "by", "org", "data")'),
    ("return named | refold.subjects_of(amended)", "return named"),
    ("(set() if strict else _answers(done))", "set()"),
) + of("record.py", ("Head.objects.select_for_update().get(id=1)", "Head.objects.get(id=1)"), on="postgresql")  # fmt: skip

REFOLD = of(
    "refold.py",
    ("for start in range(0, len(found), SLICE):", "for start in range(0, min(len(found), SLICE), SLICE):"),
    ("        todo = [\n            str(of)\n            for of in Event", "        todo = [] and [\n            str(of)\n            for of in Event"),
    ("if (one.code, one.subject, one.event) not in old]\n    return [(one.code", "]\n    return [(one.code"),
    ("fresh = {tube for tube in clash if before.get(tube) != (_slot(states[tube]), True)}", "fresh = clash"),
    ("        wrong.append(_slot_taken(states, fresh))\n", "        pass\n"),
    ("set(others) - clash, contested=True).update(contested=False)", "set(others) - clash, contested=True).update(contested=True)"),
    ("set(others) & clash, contested=False).update(contested=True)", "set(others) & clash, contested=False).update(contested=False)"),
    ("        fresh = [_amendment(event) for event in events.filter(of__in=[one.id", "        fresh = [] and [_amendment(event) for event in events.filter(of__in=[one.id"),
    ("if ids is None or (len(ids) > FEW and", "if ids == set() or (len(ids) > FEW and"),
    ("{name: as_amended(ones, known) for name, ones in said.items()}", "{name: ones for name, ones in said.items()}"),
    ("wrong = [one for one in moves if one.line.get(\"to\") == name]", "wrong = []"),
) + of(
    "rebuild.py",
    ("*_contests(moved), *_units(units), *_fills()", "*_contests(moved), *_fills()"),
    ("*_contests(moved), *_units(units), *_fills()", "*_units(units), *_fills()"),
    ("*_contests(moved), *_units(units), *_fills()", "*_contests(moved), *_units(units)"),
    ("for code, subject, _ in sorted(odd | loops)]", "for code, subject, _ in sorted(odd)]"),
    ("for code, subject, _ in sorted(odd | loops)]", "for code, subject, _ in sorted(loops)]"),
    ("moved or one.moved", "False"),
    ("odd | one.findings", "odd"),
    ("problems |= one.problems", "pass"),
) + of(
    "whole.py",
    ("if was != value", "if False"),
    ("    refold.forget()\n", ""),
    ("if folded == stored:", "if True:"),
    ("filter(n__gt=1)", "filter(n__gt=2)"),
    ("(*row[:at], True, *row[at + 1 :])", "row"),
    ('f"{name}__lt": self.stop', 'f"{name}__lte": self.stop'),
    ("zip(ends, [*ends[1:], None], strict=True)", "zip(ends, ends[1:], strict=False)"),
) + of(
    "spread.py",
    ("for piece in pieces)\n    except", "for piece in list(pieces)[:-1])\n    except"),
    ("    while waiting:\n", "    while len(waiting) > 1:\n"),
    ("    except BrokenProcessPool as why:\n        raise Died", "    except BrokenProcessPool as why:\n        return\n        raise Died"),
)  # fmt: skip

TRIGGERS = of(
    "triggers.py",
    ('BEFORE INSERT ON {table} WHEN {taken}', 'BEFORE INSERT ON {table} WHEN 0'),
    ('("delete", f"BEFORE DELETE ON {table}"),', '("delete", f"BEFORE DELETE ON {table} WHEN 0"),'),
    ('[("event_id",), ("seq",), ("device", "device_n")]', '[("event_id",), ("device", "device_n")]'),
    ('[("event_id",), ("seq",), ("device", "device_n")]', '[("event_id",), ("seq",)]'),
    ("if texts.get(name) == text", "if name in texts"),
    ("    if gone := missing(using):\n        raise", "    if gone := []:\n        raise"),
) + of(
    "triggers.py",
    ("ENABLE ALWAYS TRIGGER", "ENABLE TRIGGER"),
    ("AND tgenabled = 'A'", ""),
    ('("truncate", "TRUNCATE", "STATEMENT")', '("truncate", "INSERT", "STATEMENT")'),
    on="postgresql",
)  # fmt: skip

WITNESS = of(
    "witness.py",
    ("if self._own.pop(size, root) != root:", "if False:"),
    ("            if one.root != root:\n", "            if False:\n"),
    ("if kept != made and (kept is not None", "if False and (kept is not None"),
)  # fmt: skip

VERIFY = of(
    "verify.py",
    ("if before is not None and event.seq != before.seq + 1:", "if False:"),
    ("if before is not None and event.recorded_ms < before.recorded_ms:", "if False:"),
    ("if one.events and expected != one.began:", "if False:"),
    ("if one.events and one.began_ms < last:", "if False:"),
    ("if whole and not watch.within(start, start + tree.TILE):", "if whole:"),
    ("elif leaf != event.leaf and leaf != bytes(event.leaf):", "elif False:"),
    ("if root.hex() != said.lines.root:", "if False:"),
    ("if said.lines.n != len(lines) or [line.n for line in lines] != [*range(len(lines))]:", "if False:"),
    ("said.lines.n != len(lines) or ", ""),
    (" or [line.n for line in lines] != [*range(len(lines))]:", ":"),
    ('if (about.t if line.what == "t" else about.u) != line.subject:', "if False:"),
    ('(about.t if line.what == "t" else about.u)', "(about.t or about.u)"),
    ('if event.signature is not None or event.device in keys:', "if event.signature is not None:"),
    ('if event.signature is not None or event.device in keys:', "if event.device in keys:"),
    ("if (head.size if head else 0) != size:", "if False:"),
    ("elif head and head.recorded_ms < last:", "elif False:"),
    *[(field, other) for field, other in [
        ("said.at, said.by", "event.at_ms, said.by"),
        ("said.by, said.org", "event.by, said.org"),
        ("said.org, said.dev", "said.org, event.device"),
        ("said.dev, said.n)", "said.dev, event.device_n)"),
        ("(said.id, said.ref, of,", "(said.id, event.ref and _uuid(event.ref), of,"),
        ("(said.id, said.ref, of,", "(said.id, said.ref, event.of and _uuid(event.of),"),
    ]],
)  # fmt: skip

FAULTS = [*EFFECTS, *FOLD, *KINDS, *CANON, *RECORD, *REFOLD, *TRIGGERS, *WITNESS, *VERIFY]
