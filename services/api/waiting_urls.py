from django.urls import path

from services.api import waiting as w
from spa_ops.web.views import several

urlpatterns = [
    path("locations/<uuid:id>/waiting", several(w.ListWaiting, w.AddWaiting).as_view()),
    path("locations/<uuid:id>/waiting-offers", w.ListWaitingOffers.as_view()),
    path("waiting/<uuid:id>/withdraw", w.WithdrawWaiting.as_view()),
    path("waiting-offers/<uuid:id>/accept", w.AcceptOffer.as_view()),
    path("waiting-offers/<uuid:id>/decline", w.DeclineOffer.as_view()),
]
