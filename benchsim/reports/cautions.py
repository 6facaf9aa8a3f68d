"""What a reader must know before hands go near a machine. Common practice of the trade, in our own words."""

CAUTIONS = (
    (
        "Isolate first.",
        "Put an isolator between the payment bus and any computer. The bus has a supply of its own, "
        "and its return is not the computer's earth: without one, either can be destroyed.",
    ),
    (
        "Never plug or unplug on a live bus.",
        "The 34 V supply must be off, and have run down, before a device, "
        "harness or tap is connected or taken away.",
    ),
    (
        "Mains off and unplugged before a harness is touched.",
        "A switch alone is not enough; wait for the supplies to run down, then check.",
    ),
    (
        "Coils move.",
        "A test sells. Keep hands, sleeves and hair out of the machine while one runs, and let nobody "
        "reach into the delivery bin.",
    ),
    (
        "Food kept cold is judged by a person.",
        "No verdict here says that food is fit to sell. What has been too warm, or may have been, goes.",
    ),
    ("Local codes and licensed practice decide.", "Where they and this report differ, they are right."),
)
