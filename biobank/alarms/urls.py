from django.urls import path

from . import views

urlpatterns = [
    path("alarms/", views.alarms, name="alarms"),
    path("alarms/on-call/", views.on_call, name="on_call"),
    path("alarms/on-call/<int:pk>/end/", views.end_on_call, name="on_call_end"),
    path("alarms/units/<str:code>/", views.unit, name="alarm_unit"),
    path("alarms/units/<str:code>/test/", views.send_test, name="alarm_unit_test"),
    path("alarms/tests/<int:pk>/", views.test, name="alarm_test"),
    path("alarms/<int:pk>/", views.alarm, name="alarm"),
    path("alarms/<int:pk>/close/", views.close, name="alarm_close"),
]
