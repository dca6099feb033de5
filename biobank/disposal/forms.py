"""What people type when tubes leave the collection, and when an owner agrees that they do.

Promises: nothing is checked here that the action checks; a password is never written back into a page.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms

from biobank.bench.forms import ScannedTubes
from biobank.forms import ActForm, TubesField
from biobank.models import Agency
from biobank.models.disposal import ASKS, BY_WAY_OF

# why and how: words of the trade; what may be done with which waste is for local codes
REASONS = [
    ("", "choose"),
    ("used up", "used up"),
    ("contaminated", "contaminated"),
    ("broken or leaking", "broken or leaking"),
    ("identity lost", "identity lost"),
    ("permit or agreement ended", "permit or agreement ended"),
    ("duplicate", "duplicate"),
    ("failed storage", "failed storage (thawed, spoilt, dried out)"),
    ("other", "other: say what in the note"),
]
METHODS = [
    ("", "choose"),
    ("autoclaved", "autoclaved, then waste"),
    ("incinerated", "incinerated"),
    ("chemical", "inactivated chemically"),
    ("alkaline hydrolysis", "alkaline hydrolysis"),
    ("waste contractor", "handed to a licensed waste contractor"),
    ("returned to the owner", "returned to the owner, to be destroyed there"),
    ("other", "other: say what in the note"),
]
OF_EMPTY = [method for method in METHODS if method[0] != "returned to the owner"]
PLAIN = {"autocomplete": "off", "autocapitalize": "none", "spellcheck": "false"}


class DayField(forms.DateField):
    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class DiscardForm(ActForm):
    tubes = ScannedTubes()
    why = forms.ChoiceField(label="Why", choices=REASONS)
    method = forms.ChoiceField(label="How", choices=METHODS)
    note = forms.CharField(max_length=400, required=False, label="Note")
    witness = forms.CharField(
        max_length=150, required=False, label="Witness: user name",
        help_text="Somebody else, who watches. Not needed for tubes that are empty by the ledger.",
        widget=forms.TextInput(attrs=PLAIN),
    )  # fmt: skip
    witness_password = forms.CharField(
        max_length=4096, required=False, strip=False, label="Witness: password",
        help_text="The witness types it here. It is checked and not kept.",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )  # fmt: skip
    sure = forms.BooleanField(label="These tubes leave the collection for good")


class EmptyForm(ActForm):
    """The empty tubes that are discarded as used up."""

    tubes = forms.MultipleChoiceField(widget=forms.CheckboxSelectMultiple, required=False)
    method = forms.ChoiceField(label="How", choices=OF_EMPTY)
    note = forms.CharField(max_length=400, required=False, label="Note")

    def __init__(self, *args: Any, tubes: Iterable[str] = (), **given: Any) -> None:
        super().__init__(*args, **given)
        self.fields["tubes"].choices = [(code, code) for code in tubes]  # type: ignore[attr-defined]


class ConsentForm(ActForm):
    """Who agreed, when, how, and to the discard of what."""

    tubes = TubesField(required=False, label="Tubes", help_text="One code a line. Or name a box below.")
    box = forms.CharField(
        max_length=20, required=False, label="Or every tube that is now in the box",
        widget=forms.TextInput(attrs=PLAIN | {"autocapitalize": "characters"}),
    )  # fmt: skip
    agency = forms.ModelChoiceField(Agency.objects.none(), label="Owner", empty_label="choose")
    given_by = forms.CharField(max_length=120, label="Who agreed", help_text="Name and office.")
    given_on = DayField(label="On")
    how = forms.ChoiceField(label="How", choices=BY_WAY_OF)
    reference = forms.CharField(
        max_length=120, label="Reference", help_text="Where the letter, mail or note of the call is found."
    )
    note = forms.CharField(max_length=400, required=False, label="Note")

    def __init__(self, *args: Any, **given: Any) -> None:
        super().__init__(*args, **given)
        del self.fields["at"]
        self.fields["agency"].queryset = Agency.objects.all()  # type: ignore[attr-defined]


class WithdrawForm(forms.Form):
    why = forms.CharField(max_length=100, label="Why it is withdrawn")


class RuleForm(forms.Form):
    plan = forms.ChoiceField(label="For tubes of", required=False)
    owner = forms.ModelChoiceField(
        Agency.objects.none(), required=False, label="They belong to", empty_label="the agency that drew them"
    )
    asks = forms.ChoiceField(label="The owner is asked", choices=ASKS)
    source = forms.CharField(
        max_length=100, label="Source", help_text="The agreement or letter that says so, with its date."
    )

    def __init__(self, *args: Any, plans: Iterable[str] = (), **given: Any) -> None:
        super().__init__(*args, **given)
        every = [("", "every other plan")]
        self.fields["plan"].choices = every + [(code, f"plan {code}") for code in plans]  # type: ignore[attr-defined]
        self.fields["owner"].queryset = Agency.objects.all()  # type: ignore[attr-defined]
