from django.urls import path

from . import views

urlpatterns = [
    path("evacuation/", views.evacuations, name="evacuations"),
    path("evacuation/<int:pk>/boxes/", views.boxes, name="evacuation"),
    path("evacuation/<int:pk>/end/", views.end, name="evacuation_end"),
    path("evacuation/<int:pk>/letters/", views.letters, name="evacuation_letters"),
    path("evacuation/<int:pk>/letter/<str:agency>.pdf", views.letter_pdf, name="evacuation_letter"),
    path("evacuation/warm/<int:pk>/withdraw/", views.withdraw, name="thermal_event_withdraw"),
    path("evacuation/<str:code>/list.pdf", views.list_pdf, name="evacuation_list"),
    path("evacuation/<str:code>/warm/", views.warm, name="thermal_event"),
    path("evacuation/<str:code>/", views.unit, name="evacuate"),
]
