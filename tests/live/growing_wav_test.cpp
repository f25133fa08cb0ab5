#include "offline/audio/growing_wav.h"
#include "offline/files.h"
#include "offline/util/errors.h"
#include <catch2/catch.hpp>

using namespace kitfold::offline;
using namespace kitfold::test;

namespace {

/// Frames as libsndfile counts them, and the kind of file.
SF_INFO info_of(const std::filesystem::path& path, std::vector<float>* sound = nullptr) {
    SF_INFO info{};
    auto read = read_sound(path, &info);
    if (sound != nullptr) *sound = std::move(read);
    return info;
}

} // namespace

TEST_CASE("a growing file says at each update what is in it, and turns into RF64 when it is large",
          "[live][wav]") {
    const Folder folder;
    const auto path = folder / "grows.wav";
    AudioFormat format{.rate_hz = 44'100, .channels = 2, .bits = 32, .broadcast = {}};
    format.broadcast = BroadcastInfo{.description = "a take",
                                     .originator = {},
                                     .reference = {},
                                     .date = {},
                                     .time = {},
                                     .time_reference = 1'234'567'890'123,
                                     .coding_history = {}};
    GrowingWav file(path, format, 20'000);
    std::vector<float> left, right, expected;
    for (int part = 0; part < 6; ++part) {
        std::vector<float> l(500), r(500);
        for (std::size_t n = 0; n < 500; ++n) {
            l[n] = static_cast<float>(part) + static_cast<float>(n) / 1'000.0f, r[n] = -l[n];
            expected.push_back(l[n]), expected.push_back(r[n]);
        }
        const float* planes[] = {l.data(), r.data()};
        file.write(planes, 500);
        if (part > 0) CHECK(info_of(path).frames == 500 * part); // as at the last update
        file.update();
        std::vector<float> sound;
        const auto info = info_of(path, &sound);
        CHECK(sound == expected);
        CHECK((info.format & SF_FORMAT_TYPEMASK) ==
              (4'000 * (part + 1) + 722 >= 20'000 ? SF_FORMAT_RF64 : SF_FORMAT_WAV));
        AudioReader reader(path);
        REQUIRE(reader.info().broadcast);
        CHECK(reader.info().broadcast->time_reference == 1'234'567'890'123);
        CHECK(reader.info().broadcast->description == "a take");
    }
    file.close();
    CHECK_THROWS_AS(GrowingWav(path, format), Error); // it is there already
    CHECK(info_of(path).frames == 3'000);
}

TEST_CASE("24 bits come back as the converter gave them", "[live][wav]") {
    const Folder folder;
    const auto path = folder / "exact.wav";
    GrowingWav file(path, {.channels = 1, .bits = 24, .dither = false, .broadcast = {}});
    std::vector<float> sound;
    for (int n = -8'388'608; n < 8'388'608; n += 99'991)
        sound.push_back(static_cast<float>(n) / 8'388'608.0f);
    sound.resize(sound.size() / 2 * 2 - 1); // an odd number of bytes
    const float* planes[] = {sound.data()};
    file.write(planes, sound.size());
    file.close();
    CHECK(read_channel(path).samples == sound);
    CHECK(std::filesystem::file_size(path) % 2 == 0);
}
