from django.urls import path

from . import views

urlpatterns = [
    path("register/", views.register, name="register"),
    path("register/programme/", views.programme_change, name="programme_change"),
    path("register/agencies/new/", views.agency_new, name="agency_new"),
    path("register/sites/new/", views.site_new, name="site_new"),
    path("register/people/new/", views.person_new, name="person_new"),
    path("register/people/<str:code>/", views.person, name="person"),
    path("register/people/<str:code>/login/", views.person_login, name="person_login"),
    path("register/people/<str:code>/end/", views.person_end, name="person_end"),
    path("password/", views.Password.as_view(), name="password"),
]
