from django.urls import path

from rooms.api import stock as v
from rooms.api import stock_containers as c
from spa_ops.web.views import several

urlpatterns = [
    path("stock-items", several(v.ListItems, v.AddItem).as_view()),
    path("stock-items/<uuid:id>", several(v.ReadItem, v.ChangeItem).as_view()),
    path("locations/<uuid:id>/stock", c.ReadStock.as_view()),
    path("locations/<uuid:id>/stock/receipts", v.Receive.as_view()),
    path("locations/<uuid:id>/stock/uses", v.Use.as_view()),
    path("locations/<uuid:id>/stock/sales", v.Sell.as_view()),
    path("locations/<uuid:id>/stock/discards", v.Discard.as_view()),
    path("locations/<uuid:id>/stock/corrections", v.Correct.as_view()),
    path("locations/<uuid:id>/stock/counts", several(v.ListCounts, v.CountIt).as_view()),
    path("locations/<uuid:id>/stock/counted-use", c.ReadCountedUse.as_view()),
    path("locations/<uuid:id>/stock/movements", v.ListMovements.as_view()),
    path("locations/<uuid:id>/stock-lots", v.ListLots.as_view()),
    path("stock-lots/<uuid:id>", v.ReadLot.as_view()),
    path("stock-lots/<uuid:id>/withdraw", v.WithdrawLot.as_view()),
    path("stock-lots/<uuid:id>/reinstate", v.ReinstateLot.as_view()),
    path("locations/<uuid:id>/open-containers", several(c.ListContainers, c.OpenIt).as_view()),
    path("open-containers/<uuid:id>", c.ReadContainer.as_view()),
    path("open-containers/<uuid:id>/decant", c.Decant.as_view()),
    path("open-containers/<uuid:id>/move", c.MoveIt.as_view()),
    path("open-containers/<uuid:id>/close", c.CloseIt.as_view()),
]
