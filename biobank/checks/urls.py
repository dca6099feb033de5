"""Rules."""

from django.urls import path

from biobank.checks import (
    assay_views,
    fit_views,
    passport_views,
    rule_table_views,
    rule_views,
    trial_views,
    views,
    work_views,
)

urlpatterns = [
    path("rules/", views.rules, name="rules"),
    path("rules/compare/", views.rules_compare, name="rules_compare"),
    path("rules/assays/", assay_views.assays, name="assays"),
    path("rules/assays/new/", assay_views.assay_new, name="assay_new"),
    path("rules/assays/<str:code>/", assay_views.assay_edit, name="assay_edit"),
    path("rules/assays/<str:code>/retire/", assay_views.assay_retire, name="assay_retire"),
    path("rules/<str:code>/<int:version>/", views.rule_set, name="rule_set"),
    path("rules/<str:code>/<int:version>/rules.<str:kind>", views.rule_export, name="rule_export"),
    path("rules/<str:code>/<int:version>/history/", views.rule_history, name="rule_history"),
    path("rules/<str:code>/<int:version>/disagreements/", views.disagreements, name="rule_disagreements"),
    path("rules/<str:code>/<int:version>/choose/", rule_views.rule_choose, name="rule_choose"),
    path("rules/<str:code>/<int:version>/trial/", trial_views.trial_page, name="trial"),
    path("rules/<str:code>/<int:version>/trial.csv", trial_views.trial_csv, name="trial_csv"),
    path("rules/<str:code>/<int:version>/draft/", rule_views.rule_draft, name="rule_draft"),
    path("rules/<str:code>/<int:version>/delete/", rule_views.rule_set_delete, name="rule_set_delete"),
    path("rules/<str:code>/<int:version>/note/", rule_views.rule_set_note, name="rule_set_note"),
    path("rules/<str:code>/<int:version>/begin/", rule_views.rule_set_begin, name="rule_set_begin"),
    path("rules/<str:code>/<int:version>/table/", rule_table_views.rule_table, name="rule_table"),
    path("rules/<str:code>/<int:version>/new/", rule_views.rule_new, name="rule_new"),
    path("rules/<str:code>/<int:version>/rule/<str:rule>/", rule_views.rule_edit, name="rule_edit"),
    path("rules/<str:code>/<int:version>/rule/<str:rule>/copy/", rule_views.rule_copy, name="rule_copy"),
    path("rules/<str:code>/<int:version>/rule/<str:rule>/out/", rule_views.rule_out, name="rule_out"),
    path("fit/", fit_views.fit, name="fit"),
    path("fit/for/<str:assay>/", fit_views.fit_assay, name="fit_assay"),
    path("fit/for/<str:assay>/again/", fit_views.fit_again, name="fit_again"),
    path("fit/" + "work/", work_views.work, name="work"),  # in one piece it would look like a folder
    path("fit/overrides/", work_views.override_list, name="overrides"),
    path("fit/overrides/<uuid:key>/", work_views.override_answer, name="override_answer"),
    path("fit/deviations/", work_views.deviation_list, name="deviations"),
    path("fit/deviations/new/", work_views.deviation_file, name="deviation_file"),
    path("fit/deviations/<uuid:key>/close/", work_views.deviation_close, name="deviation_close"),
    path("fit/<str:code>/<str:assay>/override/", work_views.override_ask, name="override_ask"),
    path("fit/passports/", passport_views.batch, name="passport_batch"),
    path("fit/<str:code>/passport.pdf", passport_views.passport_pdf, name="passport"),
    path("fit/<str:code>/proof", passport_views.passport_proof, name="passport_proof"),
    path("fit/<str:code>/", fit_views.fit_tube, name="fit_tube"),  # last: its word could be any other's
]
