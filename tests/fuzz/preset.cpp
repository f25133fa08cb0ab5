// A preset's text, of a kind that the first byte chooses.
#include "fuzz/target.h"
#include "offline/session/presets.h"
#include "offline/util/errors.h"
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::test;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    constexpr const char* kKinds[] = {"kick", "gate", "damp", "bus", "sum", "balance", "kit"};
    Bytes bytes(data, size);
    const auto* kind = kKinds[bytes.below(std::size(kKinds))];
    const auto path = scratch_file("preset.json", bytes.rest());
    try {
        const auto preset = offline::load_preset(path, kind);
        const auto again =
            offline::load_preset(scratch_file("again.json", offline::to_json(preset).dump()), kind);
        demand(offline::to_json(again) == offline::to_json(preset), "a preset is shown as it can be read");
    } catch (const offline::Error& error) {
        demand(error.code() == offline::Exit::bad_input, "a preset's text is somebody's mistake");
    }
    return 0;
}
