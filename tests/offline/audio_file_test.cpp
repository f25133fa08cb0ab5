#include "offline/audio/audio_file.h"
#include "offline/util/errors.h"
#include "tests/offline/files.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <limits>
#include <random>
#include <unistd.h>

using namespace kitfold::offline;
using namespace kitfold::test;
using Catch::Matchers::Contains;

namespace {

/// Random numbers that 16 bits hold exactly, full scale included.
std::vector<float> exact_noise(std::size_t count) {
    std::mt19937 random(7);
    std::uniform_int_distribution<int> value(-32768, 32767);
    std::vector<float> out(count);
    for (float& x : out) x = static_cast<float>(value(random)) / 32768.0f;
    return out;
}

std::vector<float> plane_of(const std::vector<float>& interleaved, std::size_t channels,
                            std::size_t channel) {
    std::vector<float> out;
    for (std::size_t n = channel; n < interleaved.size(); n += channels) out.push_back(interleaved[n]);
    return out;
}

void write_planes(const std::filesystem::path& path, const AudioFormat& format,
                  const std::vector<float>& left, const std::vector<float>& right, std::size_t block = 1000,
                  std::int64_t rf64_from_bytes = AudioWriter::kRf64FromBytes) {
    AudioWriter writer(path, format, rf64_from_bytes);
    for (std::size_t at = 0; at < left.size(); at += block) {
        const float* const planes[] = {left.data() + at, right.data() + at};
        writer.write(planes, std::min(block, left.size() - at));
    }
    writer.commit();
}

std::string why_refused(const std::filesystem::path& path, int channel = 1) {
    try {
        read_channel(path, channel);
    } catch (const Error& error) {
        CHECK(error.code() == Exit::bad_input);
        CHECK_THAT(error.what(), Contains(path.string()));
        return error.what();
    }
    return "read";
}

} // namespace

TEST_CASE("every format read gives the samples that were written", "[offline]") {
    const Folder folder;
    const int format = GENERATE(
        SF_FORMAT_WAV | SF_FORMAT_PCM_16, SF_FORMAT_WAV | SF_FORMAT_PCM_24, SF_FORMAT_WAV | SF_FORMAT_PCM_32,
        SF_FORMAT_WAV | SF_FORMAT_FLOAT, SF_FORMAT_WAV | SF_FORMAT_DOUBLE, SF_FORMAT_WAVEX | SF_FORMAT_PCM_24,
        SF_FORMAT_WAV | SF_FORMAT_PCM_24 | SF_ENDIAN_BIG, SF_FORMAT_RF64 | SF_FORMAT_PCM_24,
        SF_FORMAT_AIFF | SF_FORMAT_PCM_16, SF_FORMAT_AIFF | SF_FORMAT_PCM_24,
        SF_FORMAT_FLAC | SF_FORMAT_PCM_16, SF_FORMAT_FLAC | SF_FORMAT_PCM_24);
    const int channels = GENERATE(1, 3);
    const std::vector<float> sound = exact_noise(3 * 4'999);
    write_sound(folder / "in", sound, format, 44'100, channels);
    for (int channel = 1; channel <= channels; ++channel) {
        const AudioClip clip = read_channel(folder / "in", channel);
        CHECK(clip.rate_hz == 44'100);
        CHECK(same(clip.samples, plane_of(sound, channels, channel - 1)));
    }
    AudioReader all(folder / "in");
    REQUIRE(all.planes() == static_cast<std::size_t>(channels));
    std::vector<std::vector<float>> planes(all.planes(), std::vector<float>(64));
    std::vector<float*> pointers;
    for (auto& plane : planes) pointers.push_back(plane.data());
    all.seek(1'000);
    CHECK(all.read(pointers.data(), 64) == 64);
    CHECK(planes.back()[63] == sound[static_cast<std::size_t>(channels) * 1'064 - 1]);
}

TEST_CASE("NaN and Inf in a float file become silence and are counted", "[offline]") {
    const Folder folder;
    std::vector<float> sound(100, 0.25f);
    sound[3] = std::numeric_limits<float>::quiet_NaN();
    sound[50] = -std::numeric_limits<float>::infinity();
    write_sound(folder / "in.wav", sound, SF_FORMAT_WAV | SF_FORMAT_FLOAT);
    AudioReader reader(folder / "in.wav");
    std::vector<float> got(100);
    float* const plane = got.data();
    CHECK(reader.read(&plane, 100) == 100);
    CHECK(reader.non_finite() == 2);
    CHECK(got[3] == 0.0f);
    CHECK(got[50] == 0.0f);
    CHECK(std::count(got.begin(), got.end(), 0.25f) == 98);
}

TEST_CASE("files that can't be used are refused in one line that says what would be right", "[offline]") {
    const Folder folder;
    const std::vector<float> sound = exact_noise(20'000);
    write_sound(folder / "good.wav", sound, SF_FORMAT_WAV | SF_FORMAT_PCM_24);
    write_sound(folder / "good.aiff", sound, SF_FORMAT_AIFF | SF_FORMAT_PCM_16);
    write_sound(folder / "good.flac", sound, SF_FORMAT_FLAC | SF_FORMAT_PCM_16);
    write_sound(folder / "none.wav", {}, SF_FORMAT_WAV | SF_FORMAT_PCM_24);
    write_sound(folder / "lossy.wav", sound, SF_FORMAT_OGG | SF_FORMAT_VORBIS);
    write_text(folder / "text.wav", "kick, snare, toms");
    write_text(folder / "empty.wav", "");
    for (const char* name : {"good.wav", "good.aiff", "good.flac"}) {
        const std::string whole = bytes_of_file(folder / name);
        write_text(folder / (std::string("half_") + name), whole.substr(0, whole.size() / 2));
        write_text(folder / (std::string("head_") + name), whole.substr(0, 20));
    }

    CHECK_THAT(why_refused(folder / "nowhere.wav"), Contains("no such file"));
    CHECK_THAT(why_refused(folder / "good.wav" / "inside.wav"), Contains("no such file"));
    CHECK_THAT(why_refused(folder.path()), Contains("is a folder"));
    CHECK_THAT(why_refused("/dev/null"), Contains("is not a file"));
    CHECK_THAT(why_refused(folder / "text.wav"), Contains("not audio"));
    CHECK_THAT(why_refused(folder / "lossy.wav"), Contains("not audio that can be read here"));
    CHECK_THAT(why_refused(folder / "empty.wav"), Contains("is empty"));
    CHECK_THAT(why_refused(folder / "none.wav"), Contains("no samples"));
    CHECK_THAT(why_refused(folder / "half_good.wav"), Contains("cut short"));
    CHECK_THAT(why_refused(folder / "half_good.aiff"), Contains("cut short"));
    CHECK_THAT(why_refused(folder / "half_good.flac"), Contains("breaks off"));
    CHECK(why_refused(folder / "head_good.wav") != "read");
    CHECK(why_refused(folder / "head_good.aiff") != "read");
    CHECK(why_refused(folder / "head_good.flac") != "read");
    CHECK_THAT(why_refused(folder / "good.wav", 2), Contains("channel 2") && Contains("only 1"));
    CHECK_THAT(why_refused(folder / "good.wav", 0), Contains("channel 0"));
}

TEST_CASE("the digest of what is written is that of the file", "[offline]") {
    const Folder folder;
    const std::string name = GENERATE("out.wav", "out.flac");
    const int bits = GENERATE(16, 24, 32);
    const std::int64_t promised = GENERATE(777, 1'000, 0); // 777 are written
    const std::int64_t rf64_from_bytes = GENERATE(AudioWriter::kRf64FromBytes, std::int64_t{500});
    if (name == "out.flac" && bits == 32) return;
    const int channels = GENERATE(1, 2);
    const std::vector<float> sound = sine(440.0, 0.5, 777.0 / 48'000.0);
    AudioWriter writer(folder / name,
                       {.channels = channels, .bits = bits, .frames = promised, .broadcast = {}},
                       rf64_from_bytes);
    const float* planes[] = {sound.data(), sound.data()};
    for (std::size_t n = 0; n < 777; n += 259, planes[0] += 259, planes[1] += 259) writer.write(planes, 259);
    const std::string sum = writer.xxh128();
    writer.commit();
    AudioReader written(folder / name);
    CHECK(written.info().frames == 777);
    CHECK(written.xxh128() == sum); // which is held to xxh128sum below
}

TEST_CASE("the digest is that of xxh128sum, however the file is read", "[offline]") {
    const Folder folder;
    // a WAV file of known bytes: 4 samples of 8-bit silence, 48 kHz; sum by xxh128sum 0.8.1
    const std::string wav{"RIFF\x28\0\0\0WAVEfmt \x10\0\0\0\1\0\1\0\x80\xbb\0\0\x80\xbb\0\0\1\0\x08\0"
                          "data\4\0\0\0\x80\x80\x80\x80",
                          48};
    write_text(folder / "in.wav", wav);
    const std::string expected = "17d9db428a8911eb91b675fa41abab3f";
    AudioReader unread(folder / "in.wav"), along(folder / "in.wav"), late(folder / "in.wav");
    std::vector<float> got(4);
    float* const plane = got.data();
    along.start_digest();
    along.read(&plane, 2);
    late.read(&plane, 4);
    CHECK(unread.xxh128() == expected);
    CHECK(along.xxh128() == expected);
    CHECK(late.xxh128() == expected);
    CHECK(along.read(&plane, 4) == 2); // reading goes on where it was
}

TEST_CASE("what is written reads back", "[offline]") {
    const Folder folder;
    const std::vector<float> left = exact_noise(5'000), right(left.rbegin(), left.rend());
    const int bits = GENERATE(16, 24, 32);
    const std::string name = GENERATE("out.wav", "out.WAV", "out.flac");
    const AudioFormat format{
        .rate_hz = 44'100, .bits = bits, .dither = false, .frames = 5'000, .broadcast = {}};
    if (bits == 32 && name == "out.flac") {
        CHECK_THROWS_WITH(AudioWriter(folder / name, format), Contains("16 or 24"));
        return;
    }
    write_planes(folder / name, format, left, right);
    SF_INFO info{};
    const std::vector<float> back = read_sound(folder / name, &info);
    CHECK(same(plane_of(back, 2, 0), left));
    CHECK(same(plane_of(back, 2, 1), right));
    CHECK(info.samplerate == 44'100);
    CHECK((info.format & SF_FORMAT_SUBMASK) == (bits == 16   ? SF_FORMAT_PCM_16
                                                : bits == 24 ? SF_FORMAT_PCM_24
                                                             : SF_FORMAT_FLOAT));
    const std::string first = bytes_of_file(folder / name);
    write_planes(folder / name, format, left, right, 77); // over an old file, in other pieces: the same bytes
    CHECK(bytes_of_file(folder / name) == first);
}

TEST_CASE("only commit() makes the file", "[offline]") {
    const Folder folder;
    write_text(folder / "out.wav", "what was there before");
    {
        AudioWriter writer(folder / "out.wav", {.frames = 100, .broadcast = {}});
        const std::vector<float> silence(100);
        const float* const planes[] = {silence.data(), silence.data()};
        writer.write(planes, 100);
    }
    CHECK(bytes_of_file(folder / "out.wav") == "what was there before");
    CHECK(std::distance(std::filesystem::directory_iterator(folder.path()), {}) == 1);
    CHECK_THROWS_WITH(AudioWriter(folder / "out.mp3", {}), Contains(".wav or .flac"));
    try {
        AudioWriter writer(folder / "no such folder" / "out.wav", {});
        FAIL("written");
    } catch (const Error& error) {
        CHECK(error.code() == Exit::io_failed);
    }
}

TEST_CASE("16 bits: dither noise is -93.3 dB re a full-scale sine, white, and free of the signal",
          "[offline]") {
    // Lipshitz, Wannamaker and Vanderkooy 1992: total error of a TPDF-dithered quantiser is step^2 / 4
    // whatever goes in (step^2 / 12 of rounding, step^2 / 6 of dither); re a full-scale sine, 1/2: 10
    // lg(2^-30 / 4 * 2) = -93.32 dB
    const Folder folder;
    const double peak = GENERATE(0.0, 0.3e-5, 0.4);
    const std::vector<float> in = sine(997.0, peak, 10.0);
    write_planes(folder / "out.wav", {.bits = 16, .frames = 480'000, .broadcast = {}}, in, in);
    const std::vector<float> back = read_sound(folder / "out.wav");
    double sum = 0.0, mean = 0.0, next = 0.0, across = 0.0;
    double last = 0.0;
    for (std::size_t n = 0; n < in.size(); ++n) {
        const double error = double(back[2 * n]) - in[n], other = double(back[2 * n + 1]) - in[n];
        sum += error * error, mean += error, next += error * last, across += error * other;
        last = error;
    }
    const double count = double(in.size()), power = sum / count;
    CHECK(10.0 * std::log10(power / 0.5) == Approx(-93.3).epsilon(0).margin(0.05));
    // four standard errors of a mean of 480 000 values
    CHECK(std::abs(mean / count) < 4.0 * std::sqrt(power / count));
    CHECK(std::abs(next / sum) < 4.0 / std::sqrt(count));
    CHECK(std::abs(across / sum) < 4.0 / std::sqrt(count)); // left and right have dither of their own
}

TEST_CASE("beyond full scale is written at full scale and counted", "[offline]") {
    const Folder folder;
    const std::vector<float> hot{0.5f, 1.5f, -1.5f, -1.0f}, silence(4);
    AudioWriter writer(folder / "out.wav", {.bits = 24, .dither = false, .frames = 4, .broadcast = {}});
    const float* const planes[] = {hot.data(), silence.data()};
    writer.write(planes, 4);
    writer.commit();
    CHECK(writer.clipped() == 2);
    CHECK(plane_of(read_sound(folder / "out.wav"), 2, 0) ==
          std::vector<float>{0.5f, 8388607.0f / 8388608.0f, -1.0f, -1.0f});
}

TEST_CASE("the broadcast extension survives, RF64 too", "[offline]") {
    const Folder folder;
    // as<>: of a constant that is named first, GENERATE keeps a reference for all that follow
    const std::int64_t rf64_from_bytes = GENERATE(as<std::int64_t>{}, AudioWriter::kRf64FromBytes, 1'000);
    BroadcastInfo info{"Take 3, full kit",
                       "Tracker",
                       "REF42",
                       "2024-05-17",
                       "10:30:00",
                       5'000'000'000,
                       "A=PCM,F=48000,W=24,M=mono\r\n"};
    const std::vector<float> sound = exact_noise(1'000);
    write_planes(folder / "out.wav", {.bits = 24, .dither = false, .frames = 1'000, .broadcast = info}, sound,
                 sound, 100, rf64_from_bytes);
    const AudioReader reader(folder / "out.wav");
    CHECK(reader.info().format == (rf64_from_bytes == 1'000 ? "RF64, 24 bit" : "WAV, 24 bit"));
    REQUIRE(reader.info().broadcast);
    CHECK(reader.info().broadcast->description == info.description);
    CHECK(reader.info().broadcast->originator == info.originator);
    CHECK(reader.info().broadcast->reference == info.reference);
    CHECK(reader.info().broadcast->date == info.date);
    CHECK(reader.info().broadcast->time == info.time);
    CHECK(reader.info().broadcast->time_reference == info.time_reference);
    CHECK_THAT(reader.info().broadcast->coding_history, Catch::Matchers::StartsWith(info.coding_history));
    CHECK(same(read_channel(folder / "out.wav", 2).samples, sound));
}

TEST_CASE("a file past 4 GiB is read where it is long", "[offline]") {
    const Folder folder;
    // RF64 (EBU Tech 3306): a 5 GiB file that is a hole but for its header and its last sample
    const std::uint64_t data = 5'368'709'118, riff = data + 72;
    std::string head = "RF64\xff\xff\xff\xffWAVEds64";
    const auto put = [&](std::uint64_t value, int bytes) {
        for (int n = 0; n < bytes; ++n) head += static_cast<char>(value >> 8 * n);
    };
    put(28, 4), put(riff, 8), put(data, 8), put(data / 2, 8), put(0, 4);
    head += "fmt ";
    put(16, 4), put(1, 2), put(1, 2), put(48'000, 4), put(96'000, 4), put(2, 2), put(16, 2);
    head += "data";
    put(0xffff'ffff, 4);
    write_text(folder / "long.wav", head);
    std::filesystem::resize_file(folder / "long.wav", head.size() + data);
    {
        std::fstream file(folder / "long.wav", std::ios::in | std::ios::out | std::ios::binary);
        file.seekp(-2, std::ios::end);
        file.write("\0\x40", 2);
    }
    AudioReader reader(folder / "long.wav");
    CHECK(reader.info().frames == std::int64_t(data / 2));
    std::vector<float> got(10);
    float* const plane = got.data();
    reader.seek(reader.info().frames - 10);
    CHECK(reader.read(&plane, 20) == 10);
    CHECK(got[8] == 0.0f);
    CHECK(got[9] == 0.5f);

    std::filesystem::resize_file(folder / "long.wav", head.size() + data / 2);
    CHECK_THAT(why_refused(folder / "long.wav"), Contains("cut short"));
}
