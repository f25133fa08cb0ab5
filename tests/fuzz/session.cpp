// A session's text: it is refused in one line, or read, written and read again as the same.
#include "offline/session/session.h"
#include "fuzz/target.h"
#include "settings/settings_json.h"
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::test;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string_view text(reinterpret_cast<const char*>(data), size);
    try {
        const auto session = offline::read_session(dsp::parse_json(text));
        const auto written = offline::to_json_text(session);
        demand(offline::to_json_text(offline::read_session(dsp::parse_json(written))) == written,
               "a session is written as it was read");
    } catch (const dsp::SettingsError& error) {
        const std::string_view line = error.what();
        demand(!line.empty() && line.size() < 2'000, "one short line says what is wrong");
    }
    return 0;
}
