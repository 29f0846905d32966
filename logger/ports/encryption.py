"""The encrypted connection to an MQTT broker: its certificates, and what is wrong with them, in words."""

from __future__ import annotations

import socket
import ssl
from pathlib import Path

from paho.mqtt.client import Client

from logger.settings.values import MqttSettings


class Unusable(ValueError):
    """A file for the encryption will not do; in words."""


class ClosingClient(Client):
    """paho leaves the socket of a failed handshake to the collector; here it is closed."""

    def _ssl_wrap_socket(self, tcp_sock: socket.socket) -> ssl.SSLSocket:
        if self._ssl_context is None:
            raise ValueError("an encrypted connection needs its context first")
        # It checks the certificate and the name in it, as Python's default context does.
        link = self._ssl_context.wrap_socket(
            tcp_sock, server_hostname=self._host, do_handshake_on_connect=False
        )
        try:
            link.settimeout(self.connect_timeout)
            link.do_handshake()
        except BaseException:
            link.close()
            raise
        return link


def context(told: MqttSettings) -> ssl.SSLContext:
    """Believes the authority that the settings name, else the system's. Unusable, in words."""
    for key in ("ca_file", "certificate_file", "key_file"):
        _check_file(key, getattr(told, key))
    made = ssl.create_default_context(cafile=told.ca_file)
    if told.certificate_file is not None:
        try:  # a key with a pass phrase would have it asked for at the terminal
            made.load_cert_chain(told.certificate_file, told.key_file, password=lambda: "")
        except ssl.SSLError as error:
            raise Unusable(
                f"this client's own certificate can't be used ({error.reason or error}); "
                "check certificate_file and key_file at [mqtt]: PEM, one to the other, no pass phrase"
            ) from error
    return made


def _check_file(key: str, path: Path | None) -> None:
    """Libraries don't say which of several files they could not read."""
    if path is None:
        return
    try:
        path.open("rb").close()
    except FileNotFoundError as error:
        raise Unusable(f"there is no file {path}; check {key} at [mqtt]") from error
    except OSError as error:
        raise Unusable(f"{path} can't be read ({error.strerror}); see {key} at [mqtt]") from error


def words(error: Unusable | ssl.SSLError) -> str:
    """Why no encrypted connection came about, and what to do."""
    if isinstance(error, Unusable):
        return str(error)
    if isinstance(error, ssl.SSLCertVerificationError):
        return (
            f"its certificate is not to be trusted ({error.verify_message}); give the authority that "
            "signed it as ca_file at [mqtt], and the host by the name in the certificate"
        )
    return f"no encrypted connection ({error.reason or error}); check tls, port and ca_file at [mqtt]"
