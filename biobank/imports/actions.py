"""What can be done with tables of past samples: save a mapping, upload a table to look at, take it in.

Promises: a table is taken in whole or not at all, rows and ledger in one transaction; the same file is
taken in once; the same form sent twice is one import; nothing is changed by looking.
"""

from __future__ import annotations

from typing import Any

from biobank.acting import Actor, perform_all, saving
from biobank.imports import making, queries
from biobank.imports.mapping import digest
from biobank.imports.read import fingerprint, read_table
from biobank.models import TableDraft, TableImport, TableMapping
from custody.core.canon import nfc
from custody.core.refusal import Refused

MOST_DRAFTS = 5  # per person; older ones are let go, they can be uploaded again


def save_mapping(
    actor: Actor, name: str, spec: Any, mapping: TableMapping | None = None, reason: str = ""
) -> TableMapping:
    """Save a mapping under a name, new or in place of `mapping`. Refused: mapping_malformed, name_taken."""
    queries.parsed(spec)
    programme = actor.person.programme
    if not name.strip():
        raise Refused("mapping_malformed", "A mapping needs a name.")
    other = queries.mappings_of(programme).filter(name=name.strip()).first()
    if other and mapping is None and other.spec == nfc(spec):
        return other  # the form was sent twice
    if other and (mapping is None or other.pk != mapping.pk):
        raise Refused("name_taken", f"There is a mapping called {name.strip()!r} already.")
    found = mapping or TableMapping(programme=programme)
    found.name, found.spec = name.strip(), nfc(spec)
    with saving(actor.person.user, (reason or "saved")[:100], found):
        found.save()
    return found


def upload(
    actor: Actor, mapping: TableMapping, file_name: str, content: bytes, sheet: str = ""
) -> TableDraft:
    """Keep a table for looking at. Refused: table_already_taken, mapping_malformed and as reading it."""
    sha256 = fingerprint(content)
    _not_taken(sha256)
    queries.read(read_table(content, sheet), mapping)  # refuses what can never be taken in
    name = nfc(file_name.replace("\\", "/").rsplit("/", 1)[-1])[:200] or "table"
    said = {"mapping": mapping, "file_name": name, "sheet": sheet, "content": content}
    draft, _ = TableDraft.objects.update_or_create(person=actor.person, sha256=sha256, defaults=said)
    kept = queries.drafts_of(actor.person).values_list("pk", flat=True)[:MOST_DRAFTS]
    TableDraft.objects.filter(person=actor.person).exclude(pk__in=list(kept)).delete()
    return draft


def forget(actor: Actor, draft: TableDraft) -> None:
    """Let a draft go. Only the person who uploaded it can see it."""
    TableDraft.objects.filter(pk=draft.pk, person=actor.person).delete()


def taken_with(actor: Actor, key: str) -> TableImport | None:
    """The import that this form made, if it was sent before."""
    return queries.imports_of(actor.person.programme).filter(key=key).first()


def take_in(actor: Actor, key: str, draft: TableDraft, seen: str) -> TableImport:
    """Take the whole table in. `seen` is the digest of the mapping under which it was looked at.

    Refused: table_already_taken, preview_stale, table_has_errors, and as reading it; nothing is changed then.
    """
    if done := taken_with(actor, key):
        return done
    _not_taken(draft.sha256)
    if digest(draft.mapping.spec) != seen:
        raise Refused("preview_stale", "The mapping was changed since you looked. Look at the rows again.")
    reading = queries.read_draft(draft)
    if reading.errors:
        first = reading.errors[0]
        sentence = f"{len(reading.errors)} errors; the first: row {first.row}: {first.sentence}"
        raise Refused("table_has_errors", sentence)
    made = making.make(actor, key, draft, reading)

    def rows() -> None:
        _not_taken(draft.sha256)
        made.save()

    try:
        perform_all(actor, made.acts, via=f"import:{draft.sha256[:16]}", before=rows)
    except Refused:
        if done := taken_with(actor, key):  # the same form, a moment earlier
            return done
        raise
    return made.done


def _not_taken(sha256: str) -> None:
    done = TableImport.objects.filter(sha256=sha256).first()
    if done:
        sentence = f"This very table was taken in on {done.made:%d %b %Y} as {done.file_name!r}."
        raise Refused("table_already_taken", sentence)
