from django.urls import path

from rooms.api import check_list_urls, equipment_urls, stock_urls
from rooms.api import views as v
from spa_ops.web.views import several

urlpatterns = [
    *stock_urls.urlpatterns,
    path("locations/<uuid:id>/rooms", several(v.ListRooms, v.AddRoom).as_view()),
    path("locations/<uuid:id>/room-flags", v.ListFlags.as_view()),
    path("rooms/<uuid:id>", several(v.ReadRoom, v.ChangeRoom).as_view()),
    path("rooms/<uuid:id>/turnover", v.ReadTurnover.as_view()),
    path("rooms/<uuid:id>/turnover/begin", v.BeginTurnover.as_view()),
    path("rooms/<uuid:id>/turnover/steps", v.RecordStep.as_view()),
    path("rooms/<uuid:id>/turnover/finish", v.FinishTurnover.as_view()),
    path("turnover-steps/<uuid:id>/strike-out", v.StrikeStep.as_view()),
    path("rooms/<uuid:id>/out-of-use", v.TakeOutOfUse.as_view()),
    path("rooms/<uuid:id>/bring-back", v.BringBack.as_view()),
    *check_list_urls.urlpatterns,
    *equipment_urls.urlpatterns,
]
