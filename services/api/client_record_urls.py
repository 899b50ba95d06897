from django.urls import path

from services.api import client_record as v

urlpatterns = [
    path("clients/<uuid:id>/erase", v.EraseClient.as_view()),
    path("clients/<uuid:id>/merge", v.MergeClient.as_view()),
    path("clients/<uuid:id>/merge/undo", v.UndoMerge.as_view()),
]
