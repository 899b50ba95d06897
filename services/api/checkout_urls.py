from django.urls import path

from services.api import checkout as c
from services.api import rebooking as r
from services.api import sales as sale

urlpatterns = [
    path("visits/<uuid:id>/account", c.ReadAccount.as_view()),
    path("visits/<uuid:id>/payments", c.TakePayment.as_view()),
    path("visits/<uuid:id>/check-out", c.CheckOut.as_view()),
    path("visits/<uuid:id>/sales", sale.SellAtVisit.as_view()),
    path("sales/<uuid:id>/undo", sale.UndoSale.as_view()),
    path("lines/<uuid:id>/charge", c.ChargeLine.as_view()),
    path("payments/<uuid:id>/refund", c.RefundPayment.as_view()),
    path("payments/<uuid:id>/void", c.VoidPayment.as_view()),
    path("locations/<uuid:id>/rebookings", r.ListRebookings.as_view()),
    path("rebookings/<uuid:id>/change", r.ChangeRebooking.as_view()),
    path("rebookings/<uuid:id>/withdraw", r.WithdrawRebooking.as_view()),
]
