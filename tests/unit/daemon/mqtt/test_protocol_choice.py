"""Which MQTT version is tried next."""

from daemon.mqtt.protocol_choice import HANG_UPS, RENEW_S, ProtocolChoice


def test_one_hang_up_leaves_a_link_on_mqtt_5() -> None:
    choice = ProtocolChoice(True)
    choice.hung_up()
    assert choice.mqtt5


def test_a_refusal_or_hang_ups_in_a_row_fall_back_and_5_is_tried_again_after() -> None:
    refused = ProtocolChoice(True)
    refused.refused()
    assert not refused.mqtt5
    refused.served()
    assert refused.mqtt5
    hung = ProtocolChoice(True)
    for _ in range(HANG_UPS):
        assert hung.mqtt5
        hung.hung_up()
    assert not hung.mqtt5
    hung.served()
    assert hung.mqtt5, "5 again"
    hung.hung_up()
    assert not hung.mqtt5, "and back at its first hang-up"
    hung.hung_up()
    assert hung.mqtt5, "a broker that hangs up on both was not refusing the version"


def test_a_link_on_3_1_1_is_made_anew_in_an_hour_unless_it_is_wanted() -> None:
    assert ProtocolChoice(True).may_renew(RENEW_S)
    assert not ProtocolChoice(True).may_renew(RENEW_S - 1)
    assert not ProtocolChoice(False).may_renew(RENEW_S)
    assert not ProtocolChoice(False).mqtt5
