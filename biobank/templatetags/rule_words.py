"""A pure rule as a sentence, for templates."""

from __future__ import annotations

from django import template

from biobank.checks.queries import in_words
from custody.core.rule import Rule

register = template.Library()


@register.filter
def rule_sentence(rule: Rule) -> str:
    return in_words(rule)
