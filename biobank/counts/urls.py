from django.urls import path

from . import views

urlpatterns = [
    path("counts/", views.counts, name="counts"),
    path("counts/choose/", views.choose, name="counts_choose"),
    path("counts/begin/", views.begin, name="count_begin"),
    path("counts/accuracy/", views.accuracy, name="counts_accuracy"),
    path("counts/draws/<int:pk>/", views.draw, name="count_draw"),
    path("counts/<int:pk>/", views.count, name="count"),
    path("counts/<int:pk>/close/<uuid:event>/", views.close, name="count_close"),
]
