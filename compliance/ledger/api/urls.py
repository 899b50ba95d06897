from django.urls import path

from compliance.ledger.api import views as v

urlpatterns = [
    path("evidence/<uuid:id>/entries", v.ListEntries.as_view()),
    path("evidence/<uuid:id>/verification", v.VerifyChain.as_view()),
]
