from django.urls import path

from compliance.disinfection.api import baths as b
from compliance.disinfection.api import counting as c
from compliance.disinfection.api import printed as p
from compliance.disinfection.api import views as v
from compliance.disinfection.api.sterilising import urlpatterns as sterilising
from spa_ops.web.views import several

urlpatterns = [
    path("disinfectants", several(b.ListProducts, b.AddProduct).as_view()),
    path("disinfectants/<uuid:id>", b.ReadProduct.as_view()),
    path("disinfectants/<uuid:id>/amounts", b.ReadAmounts.as_view()),
    path("disinfectants/<uuid:id>/papers", b.LookForPapers.as_view()),
    path("locations/<uuid:id>/disinfectant-papers", b.ListPapers.as_view()),
    path(
        "locations/<uuid:id>/soak-containers", several(b.ListContainers, b.AddContainer).as_view()
    ),
    path("soak-containers/<uuid:id>", several(b.ReadContainer, b.ChangeContainer).as_view()),
    path("locations/<uuid:id>/solutions", several(b.ListSolutions, b.MixSolution).as_view()),
    path("solutions/<uuid:id>", b.ReadSolution.as_view()),
    path("solutions/<uuid:id>/label", p.SolutionLabel.as_view()),
    path("locations/<uuid:id>/container-marks", p.ContainerMarks.as_view()),
    path("solutions/<uuid:id>/end", b.EndSolution.as_view()),
    path("solutions/<uuid:id>/added", b.RecordAddedToSoak.as_view()),
    path("solutions/<uuid:id>/top-ups", b.TopUpSolution.as_view()),
    path("solutions/<uuid:id>/strips", b.ReadStrip.as_view()),
    path("locations/<uuid:id>/kits", several(v.ListKits, v.AddKit).as_view()),
    path("kits/<uuid:id>", v.ReadKit.as_view()),
    path("kits/<uuid:id>/tag", p.KitTag.as_view()),
    path("kits/<uuid:id>/implements", v.AddImplement.as_view()),
    path("locations/<uuid:id>/reprocessing", v.RecordReprocessingOfKits.as_view()),
    path("kits/<uuid:id>/reprocessing", v.RecordReprocessing.as_view()),
    path("kits/<uuid:id>/count-back", c.CountKitBack.as_view()),
    path("locations/<uuid:id>/missing-pieces", c.ListMissingPieces.as_view()),
    path("missing-pieces/<uuid:id>/found", c.FindMissingPiece.as_view()),
    path("missing-pieces/<uuid:id>/write-off", c.WriteOffMissingPiece.as_view()),
    path("kits/<uuid:id>/events", v.ListKitEvents.as_view()),
    path("implement-events/<uuid:id>/strike-out", v.StrikeEvent.as_view()),
    path("kits/<uuid:id>/clearance", v.ReadClearance.as_view()),
    *sterilising,
]
