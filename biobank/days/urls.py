from django.urls import path

from . import views

urlpatterns = [
    path("days/", views.days, name="days"),
    path("days/new/", views.day_new, name="day_new"),
    path("days/<int:pk>/", views.day, name="day"),
    path("days/<int:pk>/account/", views.day_account, name="day_account"),
    path("days/<int:pk>/left-over/", views.day_left_over, name="day_left_over"),
    path("days/<int:pk>/not-collected/", views.day_missed, name="day_missed"),
    path("days/<int:pk>/return/", views.day_return, name="day_return"),
    path("days/<int:pk>/close/", views.day_close, name="day_close"),
    path("days/<int:pk>/reopen/", views.day_reopen, name="day_reopen"),
]
