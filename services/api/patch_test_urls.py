"""Addresses of the products that touch clients, and of their patch tests."""

from django.urls import path

from services.api import patch_tests as t
from services.api import skin_products as p
from spa_ops.web.views import several

urlpatterns = [
    path("skin-products", several(p.ListSkinProducts, p.AddSkinProduct).as_view()),
    path("skin-products/<uuid:id>", several(p.ReadSkinProduct, p.ChangeSkinProduct).as_view()),
    path("skin-products/<uuid:id>/retire", p.RetireSkinProduct.as_view()),
    path("clients/<uuid:id>/patch-tests", several(t.ReadPatchTests, t.ApplyPatchTest).as_view()),
    path("patch-tests/<uuid:id>/result", t.RecordResult.as_view()),
    path("patch-tests/<uuid:id>/strike-out", t.StrikePatchTest.as_view()),
]
