"""Everything else that the library Apprise can reach: messengers, SMS gateways, push services."""

from __future__ import annotations

import logging

from api.notify.channels import DeliveryFailed
from api.notify.message import Message
from api.notify.recipients import Recipient
from ingest.errors import SettingsError


class ServiceChannel:
    """Has delivered when Apprise says so. Services know no ids: a crash at the wrong moment repeats a message.

    Where its url leads is the choice of whoever writes the file of recipients; it is not checked as a webhook is.
    """

    def __init__(self, recipient: Recipient) -> None:
        assert recipient.url is not None  # noqa: S101 - the recipient was checked
        try:
            import apprise  # noqa: PLC0415 - an optional package
        except ImportError as error:
            raise SettingsError(
                f'recipient "{recipient.name}": channel = "apprise" needs the extra named apprise: '
                "install ullage[apprise]"
            ) from error
        logging.getLogger("apprise").setLevel(logging.CRITICAL)  # its lines may show a url, which is a secret
        self._service = apprise.Apprise()
        if not self._service.add(recipient.url.get_secret_value()):
            raise SettingsError(f'recipient "{recipient.name}" url = (not shown): expected a url that Apprise knows')

    def deliver(self, message: Message, now_ms: int) -> None:  # noqa: ARG002 - a service dates it
        try:
            delivered = self._service.notify(title=message.subject, body=message.text)
        except Exception as error:  # noqa: BLE001 - a hundred services behind one call
            raise DeliveryFailed(f"the service failed: {type(error).__name__}") from None
        if not delivered:
            raise DeliveryFailed("the service did not take it")
