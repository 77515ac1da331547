"""A folder that looks like Linux's /sys and /dev as far as USB devices and serial ports go."""

from __future__ import annotations

from pathlib import Path


class FakeSystem:
    """`sys` and `dev` below a folder; devices are plugged in one by one."""

    def __init__(self, folder: Path) -> None:
        self.sys = folder / "sys"
        self.dev = folder / "dev"
        self.by_id = self.dev / "serial" / "by-id"
        for made in (self.sys / "bus" / "usb" / "devices", self.sys / "class" / "tty", self.by_id):
            made.mkdir(parents=True)

    def plug(self, port: str, *, vendor: str = "1234", product: str = "5678", **texts: str) -> Path:
        """Plug in a USB device; `texts`: serial, manufacturer, product_name, busnum, devnum. Returns its folder."""
        device = self.sys / "bus" / "usb" / "devices" / port
        files = {"idVendor": vendor, "idProduct": product, **texts}
        files["product"] = files.pop("product_name", "")
        _write(device, files)
        return device

    def instrument(self, port: str, *, driver: str = "", interface: str = "00", **texts: str) -> Path:
        """Plug in a USB instrument; `driver`: the node that the kernel's driver makes. Returns its node on the bus."""
        self.plug(port, **{"busnum": "1", "devnum": "4", **texts})
        at = self.sys / "bus" / "usb" / "devices" / f"{port}:1.{int(interface, 16)}"
        _write(at, {"bInterfaceClass": "fe", "bInterfaceSubClass": "03", "bInterfaceNumber": interface})
        if driver:
            (at / "usbmisc" / driver).mkdir(parents=True)
            (self.dev / driver).touch()
        node = self.dev / "bus" / "usb" / "001" / f"{int(texts.get('devnum', '4')):03}"
        node.parent.mkdir(parents=True, exist_ok=True)
        node.touch()
        return node

    def serial_port(self, name: str, port: str, **texts: str) -> Path:
        """Plug in a USB serial adapter that becomes /dev/NAME. Returns the node."""
        _write(self.sys / "bus" / "usb" / "devices" / f"{port}:1.0", {"bInterfaceClass": "ff"})
        inside = self.plug(port, **texts) / f"{port}:1.0" / name
        inside.mkdir(parents=True)
        tty = self.sys / "class" / "tty" / name
        tty.mkdir()
        (tty / "device").symlink_to(inside)
        node = self.dev / name
        node.touch()
        return node


def _write(folder: Path, files: dict[str, str]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(f"{text}\n", encoding="utf-8")
