"""One field that finds a tube."""

from __future__ import annotations

from django import forms

from biobank.forms import TubeField


class FindForm(forms.Form):
    scan = TubeField(label="Tube")
