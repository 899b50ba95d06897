from django.urls import path

from spa_ops.sync.api import views as v

urlpatterns = [path("sync/<uuid:id>/changes", v.PullChanges.as_view())]
