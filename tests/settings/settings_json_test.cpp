#include "settings/settings_json.h"
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace kitfold::dsp;
using Catch::Contains;

namespace {

/// Every value of every parameter that is worth trying: both ends, the middle, each choice, the special one.
std::vector<double> worth_trying(const Parameter& p) {
    if (p.scale == Scale::on_off) return {0.0, 1.0};
    std::vector<double> out;
    for (const auto& choice : p.choices) out.push_back(choice.value);
    if (p.choices.empty()) out = {p.min, p.max, p.min + (p.max - p.min) * 0.375};
    if (p.special.end != Special::End::none) out.push_back(p.special.value);
    return out;
}

std::string message(std::string_view text, std::string_view at = "") {
    GateSettings gate;
    const auto before = gate;
    try {
        read_settings(parse_json(text), at, gate);
    } catch (const SettingsError& error) {
        CHECK(gate == before);
        return error.what();
    }
    return {};
}

} // namespace

TEMPLATE_TEST_CASE("settings survive JSON text, each value of each parameter", "[settings]", MicSettings,
                   KickSettings, GateSettings, BusSettings, SumSettings, DampSettings, RingBand,
                   OutputSettings, RoomSettings, OfflineSettings, BalanceSettings) {
    for (const auto& field : fields<TestType>())
        for (const double value : worth_trying(field.parameter)) {
            TestType in, out, state;
            field.put(in, value);
            INFO(field.parameter.key << " = " << value);
            read_settings(parse_json(pretty(to_json(in))), "", out);
            CHECK(out == in);
            CHECK(read_state_text(to_state_text(in), state));
            CHECK(state == in);
        }
}

TEST_CASE("settings are written as the session format says", "[settings]") {
    BusSettings bus;
    bus.ratio = kLimitRatio, bus.release_ms = kProgrammeRelease;
    GateSettings gate;
    gate.range_db = kOffDb, gate.key = GateKey::kit, gate.attack_ms = 0.5;
    MicSettings mic;
    mic.polarity = Polarity::inverted, mic.mute = true, mic.role = Role::kick_out;
    const auto bus_json = to_json(bus), gate_json = to_json(gate), mic_json = to_json(mic);
    CHECK(bus_json["ratio"] == "limit");
    CHECK(bus_json["release_ms"] == "programme");
    CHECK(bus_json["threshold_db"].dump() == "-18"); // a whole number has no point
    CHECK(gate_json["range_db"] == "-inf");
    CHECK(gate_json["key"] == "kit");
    CHECK(gate_json["attack_ms"] == 0.5);
    CHECK(mic_json["polarity"] == "inverted");
    CHECK(mic_json["mute"] == true);
    CHECK(mic_json["role"] == "kick_out");
    CHECK(to_json(OutputSettings{}).dump() == R"({"level_db":0,"bits":24,"dither":true})");
}

TEST_CASE("ring bands go through JSON", "[settings]") {
    DampSettings damp, out;
    damp.amount = 0.5, damp.band_count = 2;
    damp.bands[0] = {182.5, 9.0, 240.0, 700.0};
    damp.bands[1] = {310.0, 12.0, 180.0, 500.0};
    read_settings(to_json(damp), "", out);
    CHECK(out == damp);
    read_settings(parse_json(R"({"bands": []})"), "", out);
    CHECK(out.band_count == 0);
    CHECK(out.amount == 0.5); // keys that are not there stay as they are
    const auto refuse = [&](const char* text) {
        try {
            read_settings(parse_json(text), "mics[1].damp", out);
        } catch (const SettingsError& error) {
            return std::string(error.what());
        }
        return std::string();
    };
    CHECK_THAT(refuse(R"({"bands": [{"hz": 100}, {"hz": 5}]})"), Contains("mics[1].damp.bands[1].hz is 5"));
    CHECK_THAT(refuse(R"({"bands": [{"herz": 100}]})"),
               Contains("bands[0].herz is not a known key; did you mean hz?"));
    CHECK_THAT(refuse(R"({"bands": [{},{},{},{},{},{},{}]})"), Contains("7 bands, but there are at most 6"));
    CHECK_THAT(refuse(R"({"bands": {"hz": 100}})"), Contains("bands is an object, but must be a list"));
}

TEST_CASE("what is wrong with a setting is said with its path and what would be right", "[settings]") {
    CHECK(message(R"({"threshold_db": 12})", "mics[3].gate") ==
          "mics[3].gate.threshold_db is 12, but must be a number from -90 to 0 (dB)");
    CHECK(message(R"({"threshold_db": "loud"})") ==
          "threshold_db is \"loud\", but must be a number from -90 to 0 (dB)");
    CHECK(message(R"({"treshold_db": -30})", "gate") ==
          "gate.treshold_db is not a known key; did you mean threshold_db?");
    CHECK_THAT(message(R"({"colour": 1})", "gate"),
               Contains("gate.colour is not a known key; the keys here are threshold_db, hysteresis_db"));
    CHECK(message(R"({"range_db": -91})") ==
          "range_db is -91, but must be a number from -90 to 0 (dB) or \"-inf\"");
    CHECK(message(R"({"key": "kik"})") ==
          "key is \"kik\", but must be one of \"own\", \"side_chain\", \"kit\"");
    CHECK(message(R"({"key": 2})") == "key is 2, but must be one of \"own\", \"side_chain\", \"kit\"");
    CHECK(message(R"({"key_listen": 1})") == "key_listen is 1, but must be true or false");
    CHECK_THAT(message(R"({"hold_ms": true})"), Contains("hold_ms is true, but"));
    CHECK_THAT(message(R"({"hold_ms": null})"), Contains("hold_ms is null, but"));
    CHECK_THAT(message(R"({"hold_ms": {"ms": 3}})"), Contains("hold_ms is an object, but"));
    CHECK(message("[]", "mics[0].gate") == "mics[0].gate is a list, but must be an object, {…}");
    CHECK(message(R"({"key_high_pass_hz": 0})").empty());
    CHECK_THAT(message(R"({"key_high_pass_hz": 7})"), Contains("from 20 to 2000 (Hz) or 0 (off)"));
    BusSettings bus; // 0 is the inside of "programme", not a time that a person may write
    CHECK_THROWS_WITH(read_settings(parse_json(R"({"release_ms": 0})"), "bus", bus),
                      "bus.release_ms is 0, but must be a number from 10 to 3000 (ms) or \"programme\"");
}

TEST_CASE("messages stay on one line whatever the file says", "[settings]") {
    const auto bad_key = message("{\"a\\nb\": 1}"), bad_value = message("{\"key\": \"x\\ny\\u0007\"}");
    CHECK_THAT(bad_key, Contains("\"a\\nb\""));
    CHECK(bad_key.find('\n') == std::string::npos);
    CHECK(bad_value.find('\n') == std::string::npos);
    CHECK(bad_value.find('\a') == std::string::npos);
    CHECK(message("{\"" + std::string(100'000, 'k') + "\": 1}").size() < 1000);
    CHECK(message("{\"key\": \"" + std::string(100'000, 'k') + "\"}").size() < 1000);
    CHECK(message("{\"key\": \"" + std::string(100'000, 'k')).size() < 1000);
}

TEST_CASE("text that is not JSON is refused with its place", "[settings]") {
    CHECK_THAT(message("{\n  \"key\": \"own\",\n  }"), Contains("not valid JSON at line 3, column 3"));
    CHECK_THAT(message(""), Contains("not valid JSON at line 1, column 1"));
    CHECK_THAT(message("{\"hold_ms\": 1e999}"), Contains("not valid JSON at line 1"));
    CHECK_THAT(message("{\"hold_ms\": NaN}"), Contains("not valid JSON at line 1, column 13"));
    CHECK_THAT(message("{\"hold_ms\": 1} x"), Contains("not valid JSON at line 1, column 16"));
    CHECK_THAT(message("RIFF\x01\xff\xfe"), Contains("not valid JSON"));
    CHECK_THAT(message(R"({"hold_ms": 1, "hold_ms": 2})"), Contains("the key \"hold_ms\" is there twice"));
}

TEST_CASE("deep and huge JSON is refused without falling over", "[settings]") {
    for (const std::size_t depth : {33u, 100'000u, 5'000'000u}) {
        CHECK_THAT(message(std::string(depth, '[')), Contains("nested deeper than 32 levels"));
        std::string objects;
        for (std::size_t i = 0; i < std::min<std::size_t>(depth, 1'000'000); ++i) objects += "{\"a\":";
        CHECK_THAT(message(objects), Contains("nested deeper than 32 levels"));
    }
    CHECK_THAT(message(std::string((16u << 20) + 1, ' ')), Contains("longer than 16 MiB"));
    GateSettings gate;
    CHECK_FALSE(read_state_text(std::string(1'000'000, '['), gate));
    CHECK_FALSE(read_state_text(std::string((16u << 20) + 1, ' '), gate));
    CHECK(gate == GateSettings{});
}

TEST_CASE("a plug-in state is read as far as it makes sense", "[settings]") {
    GateSettings gate;
    gate.hold_ms = 77.0, gate.threshold_db = -12.0;
    CHECK(read_state_text(
        R"({"later": 1, "gate": {"threshold_db": -400, "hold_ms": "x", "attack_ms": 2, "new_key": [], "key": "kit"}})",
        gate));
    CHECK(gate.threshold_db == -12.0);
    CHECK(gate.hold_ms == 77.0);
    CHECK(gate.attack_ms == 2.0);
    CHECK(gate.key == GateKey::kit);
    const auto before = gate;
    for (const auto* text :
         {"", "{", "null", "[]", "{}", R"({"gate": 3})", R"({"filters": {}})", "\xff\xfe\x00x"})
        CHECK_FALSE(read_state_text(text, gate));
    CHECK(gate == before);

    DampSettings damp;
    CHECK(read_state_text(R"({"damp": {"bands": [{"hz": 200}, 5, {"hz": -1, "q": 3}, {}, {}, {}, {}, {}]}})",
                          damp));
    CHECK(damp.band_count == kRingBands);
    CHECK(damp.bands[0].hz == 200.0);
    CHECK(damp.bands[2].hz == RingBand{}.hz);
    CHECK(damp.bands[2].q == 3.0);
    CHECK(first_refused(damp) == nullptr);
}
