from django.urls import path

from . import views

urlpatterns = [
    path("sheets/photos/<str:name>/", views.photo, name="sheet_photo"),
    path("sheets/<str:code>/enter/", views.enter, name="sheet_enter"),
    path("sets/<str:code>/sheet.pdf", views.set_sheet, name="set_sheet"),
    path("days/<int:pk>/sheets.pdf", views.day_sheets, name="day_sheets"),
]
