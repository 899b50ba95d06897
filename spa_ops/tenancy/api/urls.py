from django.urls import path

from spa_ops.tenancy.api import views as v
from spa_ops.web.views import several

urlpatterns = [
    path("sign-in", v.SignIn.as_view()),
    path("me", v.Me.as_view()),
    path("business", v.ReadBusiness.as_view()),
    path("locations", several(v.ListLocations, v.AddLocation).as_view()),
    path("locations/<uuid:id>/devices", v.RegisterDevice.as_view()),
    path("people", several(v.ListPeople, v.AddPerson).as_view()),
    path("people/<uuid:id>", v.ReadPerson.as_view()),
    path("people/<uuid:id>/memberships", v.GrantMembership.as_view()),
    path("people/<uuid:id>/licences", several(v.ListLicences, v.RecordLicence).as_view()),
    path("memberships/<uuid:id>/end", v.EndMembership.as_view()),
    path("tokens", v.IssueToken.as_view()),
    path("tokens/<uuid:id>/revoke", v.RevokeToken.as_view()),
    path("device/unlock", v.UnlockDevice.as_view()),
    path("device/lock", v.LockDevice.as_view()),
]
