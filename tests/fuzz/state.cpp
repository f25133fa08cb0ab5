// What a host hands back as a plug-in's state: never an error, and never a setting that is not allowed.
#include "fuzz/target.h"
#include "settings/kit_key_json.h"
#include "settings/settings_json.h"
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::test;

namespace {

template <class Settings> void read(std::string_view text) {
    Settings settings;
    (void)dsp::read_state_text(text, settings);
    demand(dsp::first_refused(settings) == nullptr, "only what is allowed is read");
    Settings again;
    demand(dsp::read_state_text(dsp::to_state_text(settings), again) && again == settings,
           "a state reads as it was written");
}

void read_bleed(std::string_view text) {
    const std::string names[] = {"a", "b", "c"};
    try {
        const auto json = dsp::parse_json(text);
        const auto table = dsp::read_kit_key(json, "bleed", names);
        demand(dsp::read_kit_key(dsp::to_json(table, names), "bleed", names) == table,
               "a table reads as it was written");
    } catch (const dsp::SettingsError&) { // which a plug-in takes for no table
    }
}

} // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string_view text(reinterpret_cast<const char*>(data), size);
    read<dsp::MicSettings>(text);
    read<dsp::KickSettings>(text);
    read<dsp::GateSettings>(text);
    read<dsp::BusSettings>(text);
    read<dsp::SumSettings>(text);
    read<dsp::DampSettings>(text);
    read_bleed(text);
    return 0;
}
