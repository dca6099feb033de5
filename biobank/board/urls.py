from django.urls import path

from . import views

urlpatterns = [
    path("board/", views.board, name="board"),
    path("board/rotors/", views.rotors, name="rotors"),
    path("board/rotors/<int:pk>/", views.rotor, name="rotor"),
    path("board/rotors/<int:pk>/retire/", views.rotor_retire, name="rotor_retire"),
]
