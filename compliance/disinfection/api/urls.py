from django.urls import path

from compliance.disinfection.api import views as v
from spa_ops.web.views import several

urlpatterns = [
    path("disinfectants", several(v.ListProducts, v.AddProduct).as_view()),
    path("disinfectants/<uuid:id>", v.ReadProduct.as_view()),
    path("disinfectants/<uuid:id>/amounts", v.ReadAmounts.as_view()),
    path("locations/<uuid:id>/solutions", several(v.ListSolutions, v.MixSolution).as_view()),
    path("solutions/<uuid:id>", v.ReadSolution.as_view()),
    path("solutions/<uuid:id>/end", v.EndSolution.as_view()),
    path("solutions/<uuid:id>/added", v.RecordAddedToSoak.as_view()),
    path("locations/<uuid:id>/kits", several(v.ListKits, v.AddKit).as_view()),
    path("kits/<uuid:id>", v.ReadKit.as_view()),
    path("kits/<uuid:id>/implements", v.AddImplement.as_view()),
    path("kits/<uuid:id>/reprocessing", v.RecordReprocessing.as_view()),
    path("kits/<uuid:id>/events", v.ListKitEvents.as_view()),
    path("implement-events/<uuid:id>/strike-out", v.StrikeEvent.as_view()),
    path("kits/<uuid:id>/clearance", v.ReadClearance.as_view()),
]
