"""Why a cloud is off where it is off."""
