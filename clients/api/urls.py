from django.urls import path

from clients.api import consents as c
from clients.api import duplicates, record, screening
from clients.api import views as v
from spa_ops.web.views import several

urlpatterns = [
    path("clients", several(v.ListClients, v.AddClient).as_view()),
    path("clients/<uuid:id>", several(v.ReadClient, v.ChangeClient).as_view()),
    path("clients/<uuid:id>/consents", several(c.ListConsents, c.RecordConsent).as_view()),
    path("clients/<uuid:id>/signatures", c.ListSignatures.as_view()),
    path("consent-texts", several(c.ListTexts, c.PublishText).as_view()),
    path("clients/<uuid:id>/health", v.ReadHealth.as_view()),
    path("clients/<uuid:id>/health-reads", v.ListHealthReads.as_view()),
    path("screening-rules", screening.ListScreeningRules.as_view()),
    path("screening-rules/policy", screening.SetScreeningPolicy.as_view()),
    path("clients/<uuid:id>/export", record.ExportClient.as_view()),
    path("clients/<uuid:id>/export-page", record.ExportPage.as_view()),
    path("clients/duplicates", duplicates.ListDuplicates.as_view()),
    path("clients/<uuid:id>/told-apart", duplicates.TellApart.as_view()),
    path("clients/retention-due", record.RetentionDue.as_view()),
]
