"""The one endpoint, as REST framework's tutorial would write it."""

from rest_framework import routers, serializers, viewsets

from tests.bench.peers.read_site.models import PeerLine, PeerVisit


class LineSerializer(serializers.ModelSerializer):
    class Meta:
        model = PeerLine
        exclude = ["visit"]


class VisitSerializer(serializers.ModelSerializer):
    lines = LineSerializer(many=True, read_only=True)

    class Meta:
        model = PeerVisit
        fields = "__all__"


class VisitViewSet(viewsets.ModelViewSet):
    queryset = PeerVisit.objects.prefetch_related("lines")
    serializer_class = VisitSerializer


router = routers.SimpleRouter()
router.register("visits", VisitViewSet)
urlpatterns = router.urls
