// The bytes of an audio file: refused, or read as samples of sound.
#include "fuzz/target.h"
#include "offline/audio/audio_file.h"
#include "offline/audio/pcm.h"
#include "offline/util/errors.h"
#include <algorithm>

using namespace kitfold;
using namespace kitfold::test;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    constexpr std::size_t kBlock = 4'096;
    const auto path = scratch_file("sound", {reinterpret_cast<const char*>(data), size});
    try {
        offline::AudioReader reader(path);
        const auto info = reader.info();
        demand(info.frames > 0 && info.channels > 0 && info.rate_hz >= 8'000 && info.rate_hz <= 384'000,
               "what is open has sound in it");
        reader.start_digest();
        std::vector<std::vector<float>> samples(reader.planes(), std::vector<float>(kBlock));
        std::vector<float*> planes;
        for (auto& plane : samples) planes.push_back(plane.data());
        std::int64_t frames = 0;
        for (std::size_t blocks = 0; blocks < 64; ++blocks) { // a small file of silence may be hours long
            const auto got = reader.read(planes.data(), kBlock);
            frames += std::int64_t(got);
            for (const auto& plane : samples)
                demand(std::all_of(plane.begin(), plane.begin() + std::ptrdiff_t(got),
                                   [](float x) { return std::fabs(x) <= offline::kLargestSample; }),
                       "samples are numbers, and not too large");
            if (got == 0) break;
        }
        demand(frames <= info.frames, "no more than was said");
        reader.seek(info.frames / 2);
        (void)reader.read(planes.data(), kBlock);
        demand(reader.xxh128().size() == 32, "a digest");
    } catch (const offline::Error&) {
    }
    return 0;
}
