from django.urls import path

from . import views

urlpatterns = [
    path("scan/", views.scan, name="scan"),
    path("scan/cards.pdf", views.cards_pdf, name="scan_cards"),
]
