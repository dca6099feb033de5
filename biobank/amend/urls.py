from django.urls import path

from . import views

urlpatterns = [
    path("events/<uuid:key>/", views.event, name="event"),
    path("events/<uuid:key>/correct/", views.correct, name="event_correct"),
    path("events/<uuid:key>/tube/<int:n>/", views.other_tube, name="event_tube"),
    path("events/<uuid:key>/void/", views.void, name="event_void"),
    path("events/<uuid:key>/undo/", views.undo, name="event_undo"),
]
