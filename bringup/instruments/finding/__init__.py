"""What can be found near this computer that may be an instrument. Nothing here opens or asks one of them."""
