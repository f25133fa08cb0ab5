// Short and strange takes through check: words without a "nan", and a session that can be read after --apply.
#include "fuzz/target.h"
#include "offline/audio/audio_file.h"
#include "offline/check/apply_fixes.h"
#include "offline/check/check.h"
#include "offline/check/console.h"
#include "offline/check/output.h"
#include "offline/util/errors.h"
#include <algorithm>
#include <limits>
#include <nlohmann/json.hpp>
#include <numbers>

using namespace kitfold;
using namespace kitfold::test;

namespace {

/// Something that happens in a mic, from `at` on.
void add_event(Bytes& bytes, std::vector<float>& mic, double rate_hz) {
    if (mic.empty()) return;
    const auto kind = bytes.below(6);
    const auto at = bytes.word() % mic.size();
    const double hz = 30.0 + 20.0 * bytes.byte(), peak = bytes.share(), decay_s = 0.005 + 0.5 * bytes.share();
    for (std::size_t n = at; n < mic.size(); ++n) {
        const double t = double(n - at) / rate_hz, phase = 2.0 * std::numbers::pi * hz * t;
        if (kind == 0) mic[n] += float(peak * std::exp(-t / decay_s) * std::sin(phase)); // a stroke
        if (kind == 1) mic[n] = std::sin(phase) > 0.0 ? 1.0f : -1.0f;
        if (kind == 2) mic[n] = float(peak); // a mic that is stuck
        if (kind == 3) mic[n] *= float(peak * 30.0);
        if (kind == 4 && n == at) mic[n] = std::numeric_limits<float>::quiet_NaN();
        if (kind == 5)
            mic[n] = float(mic[n] + peak * 1e-3 * (double((n * 2'654'435'761u) % 65'536u) / 32'768.0 - 1.0));
    }
}

offline::Session any_take(Bytes& bytes) {
    constexpr int kRates[] = {8'000, 44'100, 48'000};
    offline::Session session;
    session.path = scratch() / "session.json";
    const int rate_hz = kRates[bytes.below(std::size(kRates))];
    for (auto mics = 1 + bytes.below(5); mics > 0; --mics) {
        offline::Mic mic;
        mic.name = "m" + std::to_string(mics), mic.file = mic.name + ".wav";
        mic.role = mic.mix.role = static_cast<dsp::Role>(bytes.below(dsp::kRoleCount));
        if (bytes.byte() % 2 == 0) mic.gate.emplace();
        std::vector<float> x(1 + bytes.word() % std::size_t(1.2 * rate_hz));
        if (!session.mics.empty() && bytes.byte() % 2 == 0) { // hears what the mic before it does, later
            auto before = offline::read_channel(scratch() / session.mics.back().file).samples;
            const auto late = bytes.below(200);
            for (std::size_t n = late; n < std::min(x.size(), before.size() + late); ++n)
                x[n] = 0.5f * before[n - late];
        }
        for (auto events = bytes.below(12); events > 0; --events) add_event(bytes, x, rate_hz);
        offline::AudioFormat format;
        format.rate_hz = rate_hz, format.channels = 1, format.bits = 32, format.frames = std::ssize(x);
        offline::AudioWriter writer(scratch() / mic.file, format);
        const float* plane = x.data();
        writer.write(&plane, x.size());
        writer.commit();
        session.mics.push_back(std::move(mic));
    }
    return session;
}

} // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    Bytes bytes(data, size);
    try {
        const auto session = any_take(bytes);
        offline::save_session(session, session.path);
        const auto result = offline::check(session);
        const auto text = offline::check_text(result, offline::Telling::details);
        for (const char* no_number : {" nan", "-nan", "+nan"})
            demand(text.find(no_number) == std::string::npos, "figures are numbers");
        (void)offline::check_json(result);
        (void)offline::apply_fixes(session, result, offline::Backup::is_there);
        demand(offline::load_session(session.path).mics.size() == session.mics.size(),
               "the session reads again");
    } catch (const offline::Error& error) {
        const std::string line = error.what();
        demand(error.code() == offline::Exit::bad_input &&
                   line.find("nothing was written") == std::string::npos,
               "what check finds can be written");
    }
    return 0;
}
