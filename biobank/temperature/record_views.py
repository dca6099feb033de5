"""Pages on which people say what is known of a logger besides its readings, and take it back; and the set
points of a unit.

Promises: who said something may withdraw it, and a curator may; readings are left out only when a second
person, a curator, approves.
"""

from __future__ import annotations

from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import may, right
from biobank.acting import Actor
from biobank.forms import act_view
from biobank.models import (
    CalibrationCertificate,
    ClockCheck,
    Logger,
    NominalTemperature,
    ReadingExclusion,
    Unit,
)
from biobank.models.corrections import Withdrawn
from biobank.temperature import corrections, record_actions, record_queries
from biobank.temperature.placing_views import typed
from biobank.temperature.record_forms import (
    ApproveForm,
    CertificateForm,
    ClockForm,
    ExclusionForm,
    NominalEndForm,
    NominalForm,
    WhyForm,
)

asks = require_http_methods(["GET", "HEAD", "POST"])
KINDS: dict[str, Any] = {
    "clock": ClockCheck, "certificate": CalibrationCertificate, "exclusion": ReadingExclusion
}  # fmt: skip


def _given(request: HttpRequest) -> dict[str, Any]:
    return {"data": request.POST or None, "tz": str(request.person.programme.tz)}  # type: ignore[attr-defined]


@asks
@right("loggers")
def logger_clock(request: HttpRequest, code: str) -> HttpResponse:
    """The logger's clock beside a true one."""
    found = get_object_or_404(Logger, code=code)
    tz = request.person.programme.tz  # type: ignore[attr-defined]
    form = ClockForm(**_given(request), initial={"zone": tz})

    def do(said: dict[str, Any]) -> str:
        record_actions.check_clock(
            Actor.of(request.user), found, said["true"], said["shown"], said["method"], said["note"],
            said["sure"],
        )  # fmt: skip
        return reverse("logger", args=[found.code]) + "#clock"

    return act_view(request, form, "temperature/clock.html", do, {"logger": found}, "Clock check saved.")


@asks
@right("loggers")
def logger_certificate(request: HttpRequest, code: str) -> HttpResponse:
    """A calibration certificate."""
    found = get_object_or_404(Logger, code=code)
    form = CertificateForm(**_given(request), files=request.FILES or None)

    def do(said: dict[str, Any]) -> str:
        record_actions.add_certificate(Actor.of(request.user), found, form.paper, said["note"], said["sure"])
        return reverse("logger", args=[found.code]) + "#certificates"

    return act_view(
        request, form, "temperature/certificate.html", do, {"logger": found}, "Certificate saved."
    )


@require_safe
@right("see")
def certificate_document(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """The certificate as it was uploaded."""
    row = get_object_or_404(CalibrationCertificate, pk=pk, logger__code=code)
    if not row.document:
        raise Http404("No document was kept with this certificate.")
    answer = HttpResponse(bytes(row.document), content_type="application/pdf")
    answer["Content-Disposition"] = f'attachment; filename="certificate-{row.pk}.pdf"'
    return answer


@asks
@right("loggers")
def logger_exclusion(request: HttpRequest, code: str) -> HttpResponse:
    """Readings that do not count."""
    found = get_object_or_404(Logger, code=code)
    form = ExclusionForm(**_given(request), initial={"clock": "true"})

    def do(said: dict[str, Any]) -> str:
        start, end = _by_its_clock(found, said)
        record_actions.exclude(
            Actor.of(request.user), found, start, end, said["reason"], said["note"], said["sure"]
        )
        return reverse("logger", args=[found.code]) + "#exclusions"

    done = "Saved. It counts once a second person approves it."
    return act_view(request, form, "temperature/exclusion.html", do, {"logger": found}, done)


def _by_its_clock(logger: Logger, said: dict[str, Any]) -> tuple[int, int]:
    start, end = said["start"], said["end"]
    if said["clock"] == "shown":
        return start, end
    fix = corrections.of([logger.pk])[logger.pk]
    return fix.shown_at(start), fix.shown_at(end)


@asks
@right("curate")
def exclusion_approve(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """A second person looks, and then these readings do not count."""
    rows = ReadingExclusion.objects.select_related("logger", "by")
    row = get_object_or_404(rows, pk=pk, logger__code=code)
    form = ApproveForm(request.POST if request.method == "POST" else None)

    def do(_: dict[str, Any]) -> str:
        record_actions.approve(Actor.of(request.user), row)
        return reverse("logger", args=[row.logger.code]) + "#exclusions"

    start, end = corrections.of([row.logger_id])[row.logger_id].true_span(row.from_ms, row.to_ms)
    days = [typed(at, str(request.person.programme.tz))[:10] for at in (start, end)]  # type: ignore[attr-defined]
    context = {"logger": row.logger, "row": row, "start": start, "end": end, "days": days}
    return act_view(
        request, form, "temperature/approve.html", do, context, "Approved. These readings do not count."
    )


@asks
@right("loggers")
def record_withdraw(request: HttpRequest, code: str, kind: str, pk: int) -> HttpResponse:
    """Something that was said by mistake."""
    if kind not in KINDS:
        raise Http404("No such record.")
    row = get_object_or_404(KINDS[kind].objects.select_related("logger", "by"), pk=pk, logger__code=code)
    _may_withdraw(request, row)
    form = WhyForm(**_given(request))

    def do(said: dict[str, Any]) -> str:
        record_actions.withdraw(Actor.of(request.user), row, said["why"])
        return reverse("logger", args=[row.logger.code])

    context = {"logger": row.logger, "row": row, "kind": kind}
    return act_view(request, form, "temperature/record_withdraw.html", do, context, "Withdrawn.")


def _may_withdraw(request: HttpRequest, row: Withdrawn) -> None:
    who = request.person  # type: ignore[attr-defined]
    if row.by_id != who.pk and not may(who, "curate"):
        raise PermissionDenied("Only who said this, or a curator, may withdraw it.")


# --- set points of a unit -------------------------------------------------------------------------


@asks
@right("see")
def unit_nominal(request: HttpRequest, code: str) -> HttpResponse:
    """At which temperature a unit is kept, over time; say the next."""
    unit = get_object_or_404(Unit, code=code)
    may_load = may(request.person, "loggers")  # type: ignore[attr-defined]
    if request.method == "POST" and not may_load:
        raise PermissionDenied("Your role does not include the right to loggers.")
    form = NominalForm(**_given(request))

    def do(said: dict[str, Any]) -> str:
        record_actions.say_nominal(
            Actor.of(request.user), unit, said["start"], said["end"], said["nominal"],
            said["tolerance"] or 0, said["basis"],
        )  # fmt: skip
        return reverse("unit_nominal", args=[unit.code])

    context = {"unit": unit, "rows": record_queries.nominals(unit), "may_load": may_load}
    return act_view(request, form, "temperature/nominal.html", do, context)


def _nominal(code: str, pk: int) -> NominalTemperature:
    rows = NominalTemperature.objects.select_related("unit", "by")
    return get_object_or_404(rows, pk=pk, unit__code=code)


@asks
@right("loggers")
def nominal_end(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """A set point holds no more."""
    row = _nominal(code, pk)
    form = NominalEndForm(**_given(request))

    def do(said: dict[str, Any]) -> str:
        record_actions.end_nominal(Actor.of(request.user), row, said["end"], said["why"])
        return reverse("unit_nominal", args=[row.unit.code])

    return act_view(
        request, form, "temperature/nominal_end.html", do, {"unit": row.unit, "row": row}, "Ended."
    )


@asks
@right("loggers")
def nominal_withdraw(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """A set point that was said by mistake."""
    row = _nominal(code, pk)
    _may_withdraw(request, row)
    form = WhyForm(**_given(request))

    def do(said: dict[str, Any]) -> str:
        record_actions.withdraw(Actor.of(request.user), row, said["why"])
        return reverse("unit_nominal", args=[row.unit.code])

    context = {"unit": row.unit, "row": row, "kind": "nominal"}
    return act_view(request, form, "temperature/record_withdraw.html", do, context, "Withdrawn.")
