from django.urls import path

from . import views

urlpatterns = [
    path("board/", views.board, name="board"),
    path("board/rotors/", views.rotors, name="rotors"),
]
