"""Addresses of the stock that need visits."""

from django.urls import path

from services.api import stock as x
from services.api import tracing_stock as t

urlpatterns = [
    path("locations/<uuid:id>/stock/forecast", x.ReadForecast.as_view()),
    path("locations/<uuid:id>/stock/forecast-errors", x.ReadForecastErrors.as_view()),
    path("locations/<uuid:id>/stock/due", x.ReadDueStock.as_view()),
    path("stock-lots/<uuid:id>/trace", t.TraceLot.as_view()),
    path("open-containers/<uuid:id>/trace", t.TraceContainer.as_view()),
    path("clients/<uuid:id>/stock-lots", t.TraceClient.as_view()),
]
