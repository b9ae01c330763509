package host

// supplies is where Linux tells what power there is: Documentation/ABI/testing/sysfs-class-power of the
// kernel. It says each word that is read here.
const supplies = "/sys/class/power_supply"

// PowerNow returns what the machine lives on.
func PowerNow() (Power, error) { return PowerIn(supplies) }
