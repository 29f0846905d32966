"""The peers, by name, in the order of the table."""

from __future__ import annotations

from tests.bench.peers.contract import Peer
from tests.bench.peers.cusum import Cusum
from tests.bench.peers.detectors import AdwinPeer, PageHinkleyPeer
from tests.bench.peers.slope import Slope
from tests.bench.peers.timer import Timer

PEERS: dict[str, Peer] = {
    peer.name: peer for peer in (Timer(), Slope(60), Slope(120), Cusum(), PageHinkleyPeer(), AdwinPeer())
}
