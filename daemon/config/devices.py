"""What comes in and what goes out: signals, heaters, outputs, the tank, the broker."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from daemon.config.values import Clock, FilePath, Name, OrderTopic, Payload, Pointer, Price, Table, Text, Topic, Within
from rules.tank.standing_loss import label_loss_w, ua_w_per_k


class Broker(Table):
    """The MQTT broker. Without this table brimful brings its own, on loopback."""

    host: Text
    """Host name or address."""
    port: Annotated[int, Within(1, 65535)] | None = None
    """TCP port; 1883, or 8883 with TLS, unless given."""
    tls: bool = False
    """Whether the link is encrypted."""
    ca_file: FilePath | None = None
    """Certificate of the authority that signed the broker's; the system's own unless given. Needs tls = true."""
    username: Text | None = None
    """User name at the broker."""
    password_file: FilePath | None = None
    """File that holds the password, readable by its owner alone; or the environment's BRIMFUL_BROKER_PASSWORD."""

    @property
    def tcp_port(self) -> int:
        """The port that is used."""
        return self.port if self.port is not None else (8883 if self.tls else 1883)


class SignalSource(Table):
    """Where a signal is heard, and how its payload becomes a value: value = number × scale + offset."""

    topic: Topic
    """MQTT topic, without wildcards; or `reader:NAME` for what the device of [readers.NAME] reports."""
    pointer: Pointer = ""
    """JSON pointer (RFC 6901) to the number; without it the payload is the number itself. A unit behind it that is of
    the signal's kind is converted ("1,5 kW" is 1500 W); another is refused."""
    minus_pointer: Pointer | None = None
    """JSON pointer to a second number, taken off the first: where charge and discharge are members of their own."""
    scale: Annotated[float, Within(-1e9, 1e9)] = 1.0
    """Factor to the signal's unit; 1000 where kW are sent, −1 to turn a sign."""
    offset: Annotated[float, Within(-1e9, 1e9)] = 0.0
    """Added after scaling, in the signal's unit."""
    stale_after_s: Annotated[float, Within(1, 86400)] | None = None
    """Age in s from which a reading no longer counts; 60, for the tank's signals 900, unless given."""
    time_pointer: Pointer | None = None
    """JSON pointer to the payload's own time (ISO 8601 with offset, or seconds or milliseconds since 1970), or to its
    age (an ISO 8601 duration such as "PT12S"). More than a day from now it is refused."""
    minimum: Annotated[float, Within(-1e12, 1e12)] | None = None
    """Lowest value taken as real, in the signal's unit."""
    maximum: Annotated[float, Within(-1e12, 1e12)] | None = None
    """Highest value taken as real, in the signal's unit."""
    gap_s: Annotated[float, Within(60, 604800)] = 3600.0
    """Counters: silence in s from which the energy of the gap is kept but called estimated."""
    resolution: Annotated[float, Within(0, 100000)] = 100.0
    """Counters: the counter's step, in the signal's unit."""
    pulses_per_kwh: Annotated[float, Within(0, 1000000, above=True)] | None = None
    """Counters of energy: the payload counts a meter's pulses, so many to a kWh (imp/kWh on its face); it takes the
    place of scale, and the counter's step is one pulse unless resolution is more."""
    words: dict[Text, Annotated[float, Within(-1e12, 1e12)]] = Field(default_factory=dict)
    """Words the payload may be, and the number each stands for; of a power, on, off, true and false are known."""

    @property
    def factor(self) -> float:
        """The factor to the signal's unit that is used."""
        return self.scale if self.pulses_per_kwh is None else 1000 / self.pulses_per_kwh

    @property
    def step(self) -> float:
        """The counter's step that is used, in the signal's unit."""
        if self.pulses_per_kwh is None:
            return self.resolution
        given = self.resolution if "resolution" in self.model_fields_set else 0.0
        return max(given, 1000 / self.pulses_per_kwh)


class GateOrders(Table):
    """The payloads of a heater that is switched."""

    withhold: Payload
    """Payload for: do not heat."""
    surplus: Payload
    """Payload for: take surplus only."""
    heat: Payload | None = None
    """Payload for: heat, from the grid too. Without it the heater is never ordered to heat."""


class _Heater(Table):
    rated_w: Annotated[float, Within(100, 6000)]
    """Power of the element at full load, W."""
    minimum_w: Annotated[float, Within(0, 6000)] = 0.0
    """Least power it can take, W."""
    topic: OrderTopic
    """MQTT topic its orders are sent to."""
    refresh_s: Annotated[float, Within(1, 3600)] = 60.0
    """How often the standing order is sent again, s."""
    expiry_s: Annotated[float, Within(1, 86400)] | None = None
    """Age in s at which the broker drops an undelivered order (MQTT 5); 3 × refresh_s unless given."""

    @property
    def order_expiry_s(self) -> float:
        """The expiry that is used, s."""
        return self.expiry_s if self.expiry_s is not None else 3 * self.refresh_s


class GateHeater(_Heater):
    """A heater that is permitted or withheld, and finds its own power while permitted."""

    kind: Literal["gate"]
    """How it is ordered: "gate", permitted or withheld; "modulated", in watts."""
    orders: GateOrders
    """Payload of each order."""

    @property
    def obeys_heat(self) -> bool:
        """Whether it can be ordered to heat, from the grid too."""
        return self.orders.heat is not None


class ModulatedHeater(_Heater):
    """A heater that is ordered a power: whole watts as plain text, 0 to withhold."""

    kind: Literal["modulated"]
    """How it is ordered: "gate", permitted or withheld; "modulated", in watts."""
    steps_w: Annotated[tuple[Annotated[int, Within(1, 6000)], ...], Field(strict=False)] = ()
    """The only powers it can take, W, ascending; empty: any whole W."""

    @property
    def obeys_heat(self) -> bool:
        """Always: ordered in watts, it takes them from wherever they come."""
        return True


Heater = Annotated[GateHeater | ModulatedHeater, Field(discriminator="kind")]


class Output(Table):
    """A switch that follows the orders: a mixing pump, say."""

    topic: OrderTopic
    """MQTT topic."""
    follows: Literal["surplus", "heat"]
    """The order it is on with."""
    on: Payload
    """Payload for on."""
    off: Payload
    """Payload for off."""
    run_on_s: Annotated[float, Within(0, 86400)] = 0.0
    """How long it stays on after the order has ended, s."""


class Boiler(Table):
    """A boiler that heats the tank, counted by the signal boiler_wh: that part of it which goes into the tank."""

    counts: Literal["heat", "fuel"]
    """What boiler_wh counts: heat given to the tank, or fuel burnt for it."""
    efficiency: Annotated[Decimal, Within(0, 10, above=True)]
    """Heat out for fuel in."""
    tariff: Name | None = None
    """The tariff that prices its fuel; or give price."""
    price: Price | None = None
    """Price of its fuel, money per kWh; with tax, unless tax_included says otherwise. Or give tariff."""
    tax_included: bool = True
    """Whether the price has the tax in it."""
    tax_pct: Annotated[Decimal, Within(0, 100)] | None = None
    """Tax on the price, %; added exactly where it is without it."""
    carbon: Name | None = None
    """The carbon factor of its fuel."""


class TopUp(Table):
    """The tank's own timer: a cheap-rate heater that brimful does not order. A study runs it as set here."""

    from_: Clock = Field(alias="from")
    """Start by the home's clock, HH:MM."""
    to: Clock
    """End, HH:MM, not included; at or before the start it is on the day after."""
    level_pct: Annotated[float, Within(0, 100, above=True)]
    """The level at which it stops heating, %."""
    rated_w: Annotated[float, Within(100, 12000)]
    """Power of its element, W."""


class Tank(Table):
    """The hot-water tank."""

    volume_l: Annotated[float, Within(10, 5000)]
    """Volume, litres."""
    cold_c: Annotated[float, Within(0, 40)] = 10.0
    """Temperature of the cold water that enters, °C."""
    hot_c: Annotated[float, Within(40, 90)] = 60.0
    """Temperature throughout when the tank counts as full, °C; the thermostat's setting."""
    loss_w: Annotated[float, Within(1, 1000)] | None = None
    """Standing loss at 65 °C in a room of 20 °C, W; or give label_class."""
    label_class: Literal["A+", "A", "B", "C", "D", "E", "F"] | None = None
    """Energy label class, whose limit stands for the loss; or give loss_w."""
    ambient_c: Annotated[float, Within(-20, 50)] = 20.0
    """Temperature around the tank, °C."""
    boiler: Boiler | None = None
    """A boiler that heats it too, for the heat stock's books."""
    topup: TopUp | None = None
    """The tank's own timer, for studies."""
    level_shows: Literal["energy", "usable", "hot", "probe"] = "energy"
    """What tank_level_pct is a share of, for studies: the tank's heat, the heat of water that is hot enough alone, the
    hot part of the volume, or one probe's temperature."""
    level_steps: Annotated[int, Within(0, 100)] = 0
    """How many steps tank_level_pct can show above 0; 0 where it shows any value."""

    @property
    def ua_w_per_k(self) -> float:
        """Standing loss, W/K: as stated, else its label class's limit; without one C's, the most for a new tank."""
        return ua_w_per_k(self.loss_w or label_loss_w(self.label_class or "C", self.volume_l))
