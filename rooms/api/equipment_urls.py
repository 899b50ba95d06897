"""Addresses of equipment and its log."""

from django.urls import path

from rooms.api import equipment as x
from spa_ops.web.views import several

urlpatterns = [
    path("locations/<uuid:id>/equipment", several(x.ListEquipment, x.AddEquipment).as_view()),
    path("locations/<uuid:id>/equipment-states", x.ReadEquipmentStates.as_view()),
    path("equipment/<uuid:id>", several(x.ReadEquipment, x.ChangeEquipment).as_view()),
    path("equipment/<uuid:id>/retire", x.RetireEquipment.as_view()),
    path("equipment/<uuid:id>/log", several(x.ReadEquipmentLog, x.LogEquipment).as_view()),
    path("equipment-entries/<uuid:id>/strike-out", x.StrikeEquipmentEntry.as_view()),
]
