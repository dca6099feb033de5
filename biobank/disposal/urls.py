from django.urls import path

from . import out_views, views

urlpatterns = [
    path("store/discard/", views.discard, name="discard"),
    path("store/empty/", views.empty, name="empty_tubes"),
    path("store/out/", out_views.out, name="out"),
    path("store/out/back/", out_views.back, name="out_back"),
    path("store/out/thaw/<uuid:key>/", out_views.thaw, name="out_thaw"),
    path("store/out/limits/", out_views.limits, name="out_limits"),
    path("disposal/consents/", views.consents, name="consents"),
    path("disposal/consents/new/", views.consent_new, name="consent_new"),
    path("disposal/consents/<int:pk>/withdraw/", views.consent_end, name="consent_end"),
    path("disposal/rules/", views.rules, name="consent_rules"),
    path("disposal/<uuid:key>/", views.disposal, name="disposal"),
    path("disposal/<uuid:key>/certificate.pdf", views.certificate, name="certificate"),
]
