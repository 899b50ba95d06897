"""Every address of this app, from the list of each part."""

from services.api.checkout_urls import urlpatterns as checkout
from services.api.client_record_urls import urlpatterns as client_records
from services.api.condition_urls import urlpatterns as conditions
from services.api.due_checks import urlpatterns as due_checks
from services.api.hand_over import urlpatterns as hand_overs
from services.api.incident_urls import urlpatterns as incidents
from services.api.locations import urlpatterns as locations
from services.api.patch_test_urls import urlpatterns as patch_tests
from services.api.photograph_urls import urlpatterns as photographs
from services.api.recurring_urls import urlpatterns as recurring
from services.api.set_up_urls import urlpatterns as set_up
from services.api.stock_urls import urlpatterns as stock
from services.api.team_urls import urlpatterns as team
from services.api.treatment_urls import urlpatterns as treatments
from services.api.visit_urls import urlpatterns as visits
from services.api.waiting_urls import urlpatterns as waiting
from services.api.work_draft import urlpatterns as work_drafts

urlpatterns = [
    *locations,
    *team,
    *visits,
    *checkout,
    *patch_tests,
    *incidents,
    *client_records,
    *conditions,
    *treatments,
    *photographs,
    *recurring,
    *waiting,
    *set_up,
    *stock,
    *due_checks,
    *hand_overs,
    *work_drafts,
]
