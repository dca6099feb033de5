from django.urls import path

from . import views

urlpatterns = [
    path("", views.today, name="today"),
    path("sign-in/", views.SignIn.as_view(), name="sign_in"),
    path("sign-out/", views.SignOut.as_view(), name="sign_out"),
]
