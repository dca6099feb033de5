"""Which tubes a batch of passports is for.

Promises: bad codes and tubes of others are refused beside their field; nothing of what was typed is lost.
"""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from biobank.checks.fit_access import whole
from biobank.checks.passport import MOST
from biobank.core import codes
from biobank.forms import TubesField
from biobank.models import Assay, Person, Tube


class BatchForm(forms.Form):
    """Cleans to: tubes (Tube rows in the order typed), assay (its code; empty: all)."""

    tubes = TubesField(
        label="Tubes", help_text=f"Paste or scan codes, one a line, at most {MOST}.",
        widget=forms.Textarea({"rows": 8, "autocomplete": "off", "spellcheck": "false"}),
    )  # fmt: skip
    assay = forms.ChoiceField(
        label="Assay", required=False, help_text="Empty: all assays that take the tube."
    )

    def __init__(self, *args: Any, who: Person, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.who = who
        named = (
            Assay.objects.filter(retired=False, takes__isnull=False).distinct().values_list("code", "name")
        )
        self.fields["assay"].choices = [("", "all"), *named]  # type: ignore[attr-defined]

    def clean_tubes(self) -> list[Tube]:
        found: list[str] = self.cleaned_data["tubes"]
        if not found:
            raise ValidationError("Name at least one tube.", "nothing_said")
        if len(found) > MOST:
            raise ValidationError(
                f"At most {MOST} passports at once; these are {len(found)}.", "too_many_tubes"
            )
        rows = Tube.objects.select_related("tube_set__plan").filter(code__in=found)
        mine = {one.code: one for one in rows if self._may(one)}
        if strange := [one for one in found if one not in mine]:
            shown = ", ".join(codes.show(one) for one in strange[:5])
            raise ValidationError(f"No such tube here: {shown}.", "tube_unknown")
        return [mine[one] for one in found]

    def _may(self, tube: Tube) -> bool:
        """Of the person's own programme; one of no set is nobody's, and not for the catalogue."""
        owner = tube.tube_set.plan.programme_id if tube.tube_set else None
        return owner == self.who.programme_id if owner or not whole(self.who) else True
