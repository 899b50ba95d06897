"""Addresses of opening and closing lists."""

from django.urls import path

from rooms.api import check_lists as x

urlpatterns = [
    path("locations/<uuid:id>/opening-list", x.ReadOpeningList.as_view()),
    path("locations/<uuid:id>/opening-list-page", x.OpeningListPage.as_view()),
    path("locations/<uuid:id>/opening-list/ticks", x.TickOpeningList.as_view()),
    path("locations/<uuid:id>/opening-list/sign-off", x.SignOffOpeningList.as_view()),
    path("locations/<uuid:id>/closing-list", x.ReadClosingList.as_view()),
    path("locations/<uuid:id>/closing-list-page", x.ClosingListPage.as_view()),
    path("locations/<uuid:id>/closing-list/ticks", x.TickClosingList.as_view()),
    path("locations/<uuid:id>/closing-list/sign-off", x.SignOffClosingList.as_view()),
]
