"""A module for tests that run on both interpreters, as the firmware gets it: an M4 nut."""

from controller.settings import Settings

NUT = {
    "name": "nut module",
    "motor_full_steps": 200,
    "motor_microsteps": 16,
    "gear_stages": [[17, 51]],
    "sprocket_pockets": 7,
    "sprocket_pitch_radius_um": 12_500,
    "sprocket_release_mdeg": 30_000,
    "sprocket_dwell_mdeg": 19_000,
    "sprocket_index": 1,
    "sprocket_lash_mdeg": 800,
    "limit_velocity_steps_s": 13_856,
    "limit_acceleration_steps_s2": 256_000,
    "limit_jerk_steps_s3": 12_800_000,
    "limit_start_stop_steps_s": 3_200,
    "limit_creep_steps_s": 800,
    "part_name": "M4 nut",
    "part_longest_um": 8_690,
    "part_shortest_um": 2_900,
    "part_hole_um": 3_500,
    "part_mass_mg": 800,
    "beam_drop_um": 20_000,
    "beam_bounce_us": 200,
    "beam_response_us": 50,
    "beam_test": 1,
    "magazine_capacity": 250,
}


def values(**changes):
    """Return the table with some keys changed; None takes a key away."""
    table = dict(NUT)
    for key, value in changes.items():
        if value is None:
            del table[key]
        else:
            table[key] = value
    return table


def settings(**changes):
    """Return Settings of the changed table. Raises SettingsError."""
    return Settings(values(**changes))
