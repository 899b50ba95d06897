"""Pages to print: the label of a bath's container, the tag of a kit, the marks of containers."""

from typing import Any
from uuid import UUID

import segno
from django.http import HttpResponse
from django.template.loader import render_to_string
from rest_framework.renderers import JSONRenderer, StaticHTMLRenderer
from rest_framework.request import Request

from compliance.disinfection.models import Kit, Solution
from compliance.disinfection.queries import printed
from compliance.requirements.rules.packs import CAUTION
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import reading
from spa_ops.web.views import READERS, ApiView

#: Wording seen in 16 CCR 978(a)(4)-(5).
BATH_MARK = "Disinfectant Solution"
#: What stands on containers, what each holds, and where such a mark is asked for.
MARKS = [
    {
        "mark": BATH_MARK,
        "holds": "The soak, with a lid, large enough to cover what is in it.",
        "basis": "16 CCR 978(a)(4)-(5); Fla. 61G5-20.002",
    },
    {
        "mark": "Soiled",
        "holds": "Used implements until they are washed. Closed. Nothing clean goes in here.",
        "basis": "16 CCR 979 (older text); 16 CCR 981(c)",
    },
    {
        "mark": "Clean - Disinfected",
        "holds": "Implements that came the whole way back: covered, dry, and nothing else.",
        "basis": "16 CCR 979 (older text); 19 NYCRR 160.17(c)",
    },
    {
        "mark": "New",
        "holds": "Single-use items that nobody has used: clean and covered.",
        "basis": "68 Ill. Adm. Code 1175.115(b)(5)",
    },
]


class _Page(ApiView):
    access = {"GET": READERS}
    output = {"type": "string"}
    media_type = "text/html"
    renderer_classes = (JSONRenderer, StaticHTMLRenderer)

    def page(self, template: str, told: dict[str, Any]) -> HttpResponse:
        page = render_to_string(f"disinfection/{template}.html", told | {"caution": CAUTION})
        return HttpResponse(page, content_type="text/html; charset=utf-8")


class SolutionLabel(_Page):
    """The label of a bath's container as an HTML page to print; of a bath that is over, not to use it."""

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            told = printed.label_of(tenancy.loaded(Solution, id, self.actor), self.now)
            return self.page("solution_label", told | {"mark": BATH_MARK})


class KitTag(_Page):
    """The tag of a kit's pouch, tray or container as an HTML page to print, with its QR code.

    The code (ISO/IEC 18004) holds the kit's id as a URN. No label goes into solution.
    """

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            told = printed.tag_of(tenancy.loaded(Kit, id, self.actor))
        code = segno.make_qr(told["urn"], error="q")
        drawn = code.svg_inline(scale=4, border=4, title="QR code of the kit's id", omitsize=True)
        return self.page("kit_tag", told | {"code": drawn})


class ContainerMarks(_Page):
    """The marks of containers, drawers and cabinets as an HTML page to print; local codes come first."""

    tag = "soak-containers"

    def get(self, request: Request, id: UUID) -> HttpResponse:
        with reading(self.actor.business_id):
            tenancy.location(id, self.actor)
        return self.page("container_marks", {"marks": MARKS})
