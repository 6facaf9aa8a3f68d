"""What a reader must know before hands go near a machine. Common practice of the trade, in our own words."""

ISOLATE = (
    "Isolate first.",
    "Put an isolator between the payment bus and any computer. The bus has a supply of its own, "
    "and its return is not the computer's earth: without one, either can be destroyed.",
)
LIVE_BUS = (
    "Never plug or unplug on a live bus.",
    "The 34 V supply must be off, and have run down, before a device, "
    "harness or tap is connected or taken away.",
)
MAINS = (
    "Mains off and unplugged before a harness is touched.",
    "A switch alone is not enough; wait for the supplies to run down, then check.",
)
COMPRESSOR = (
    "A compressor starts by itself.",
    "It runs on mains, is hot, and its circuit under pressure when the machine is off too. Circuit, capacitor and "
    "refrigerant are for licensed practice alone.",
)
COILS = (
    "Coils move.",
    "A test sells. Keep hands, sleeves and hair out of the machine while one runs, and let nobody "
    "reach into the delivery bin.",
)
FOOD = (
    "Food kept cold is judged by a person.",
    "No verdict and no lock-out here says that food is fit to sell: they follow FDA Food Code 2022, 3-501.16 and "
    "4-204.111, by one sensor in the air. What has been too warm, or may have been, goes.",
)
CODES = ("Local codes and licensed practice decide.", "Where they and what is said here differ, they are right.")
CAUTIONS = (ISOLATE, LIVE_BUS, MAINS, COMPRESSOR, COILS, FOOD, CODES)
