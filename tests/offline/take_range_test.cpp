#include "files.h"
#include "offline/bounce/bounce.h"
#include "offline/session/take_range.h"
#include "offline/util/errors.h"
#include "run_program.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <random>

using namespace kitfold::offline;
using namespace kitfold::test;
using Catch::Matchers::Contains;
using Json = nlohmann::ordered_json;

namespace {

constexpr int kFloatWav = SF_FORMAT_WAV | SF_FORMAT_FLOAT;

/// Bursts of noise that die away, as drums do; never silent for long.
std::vector<float> bursts(std::size_t count, unsigned seed) {
    std::mt19937 random(seed);
    std::uniform_real_distribution<float> value(-0.5f, 0.5f);
    std::vector<float> out(count);
    for (std::size_t n = 0; n < count; ++n)
        out[n] = value(random) * std::exp(-float((n + 1'000 * seed) % 9'000) / 700.0f);
    return out;
}

std::vector<float> part(const std::vector<float>& x, std::size_t from, std::size_t to) {
    const auto at = [&](std::size_t n) { return x.begin() + std::ptrdiff_t(std::min(n, x.size())); };
    return {at(from), at(to)};
}

/// Three mics with every block, one of them at another rate and one that ends in the middle; and the same
/// files cut by hand.
BounceRequest busy(const Folder& folder, const std::string& prefix, double bits) {
    BounceRequest request{
        .session = {}, .output = folder / (prefix + "out.wav"), .stems = {}, .rate_hz = 48'000};
    request.session.path = folder / "session.json";
    request.session.output.bits = bits;
    request.session.bus.emplace();
    for (unsigned m = 0; m < 3; ++m) {
        Mic mic;
        mic.name = "mic" + std::to_string(m);
        mic.file = prefix + mic.name + ".wav";
        mic.mix.pan = m - 1.0;
        mic.mix.delay_ms = 1.234 * m;
        mic.filters.emplace();
        mic.gate.emplace();
        mic.gate->lookahead_ms = 2.0 * m;
        request.session.mics.push_back(mic);
    }
    return request;
}

/// The song of a folder, and the same as if somebody had cut every file at 10 s and 25 s. @return the cut one
void write_cut(const std::filesystem::path& from, const std::filesystem::path& to, std::size_t first,
               std::size_t end) {
    std::filesystem::create_directory(to);
    for (const auto& entry : std::filesystem::directory_iterator(from)) {
        const auto name = entry.path().filename();
        if (entry.path().extension() == ".wav") {
            SF_INFO info{};
            const auto samples = read_sound(entry.path(), &info);
            write_sound(to / name, part(samples, first, end), info.format, info.samplerate);
        } else if (name == "session.json") {
            std::filesystem::copy_file(entry.path(), to / name);
        }
    }
}

/// Every time a figure of check counts from the take's beginning, brought back to the range's.
void count_from(Json& json, double from_s) {
    const auto back = [&](Json& time) {
        if (time.is_number()) time = std::round((time.get<double>() - from_s) * 1e5) / 1e5;
    };
    for (auto& hit : json["hits"]) back(hit["time_s"]);
    json["from_s"] = 0.0;
}

} // namespace

TEST_CASE("times are read as people write them", "[offline][range]") {
    CHECK(read_range("", "").whole());
    CHECK(read_range("1:05", "").from_s == 65.0);
    CHECK(read_range("1:02:05.5", "").from_s == 3725.5);
    CHECK(read_range("65.25", "90").from_s == 65.25);
    CHECK(read_range("0:00", "4:00").to_s == 240.0);
    CHECK(clock_text(65.25) == "1:05.25");
    CHECK(clock_text(3725.5) == "1:02:05.5");
    CHECK(clock_text(60.0) == "1:00");
    CHECK(clock_text(0.0) == "0:00");
    for (const char* bad : {"a", "1:60", "1:-5", "-3", "1:2:3:4", "1::2", ":", "1.5:20", "1:05.", "12,5",
                            "1e3", "nan", "9999999"})
        CHECK_THROWS_WITH(read_range(bad, ""), Contains("is no time") && Contains(bad));
    CHECK_THROWS_WITH(read_range("2:00", "1:00"), Contains("--from 2:00 --to 1:00"));
    CHECK_THROWS_WITH(read_range("1:00", "1:00"), Contains("nothing between"));
}

TEST_CASE("a bounce of a range is that of files cut there first, sample for sample", "[offline][range]") {
    const Folder folder;
    const double bits = GENERATE(24.0, 32.0);
    constexpr int kRates[] = {48'000, 44'100, 48'000};
    constexpr std::size_t kSamples[] = {96'000, 88'200,
                                        50'000}; // 2 s, 2 s at 44.1 kHz, and one that ends early
    for (unsigned m = 0; m < 3; ++m) {
        const auto sound = bursts(kSamples[m], m + 1);
        const auto at = [&](double s) { return std::size_t(std::lround(s * kRates[m])); };
        const auto name = "mic" + std::to_string(m) + ".wav";
        write_sound(folder / name, sound, kFloatWav, kRates[m]);
        write_sound(folder / ("cut " + name), part(sound, at(0.7), at(1.45)), kFloatWav, kRates[m]);
    }
    auto whole = busy(folder, "", bits), cut = busy(folder, "cut ", bits);
    whole.session.range = {0.7, 1.45};
    const auto figures = bounce(whole);
    bounce(cut);
    CHECK(figures.format.frames == 36'000); // 0.75 s
    CHECK(same(read_sound(whole.output), read_sound(cut.output)));
    CHECK(figures.mics[0].source.xxh128 != ""); // of the whole file: xxh128sum must agree
    const auto sheet = Json::parse(bytes_of_file(figures.recall_json));
    CHECK(sheet["range"]["from_s"] == 0.7);
    CHECK(sheet["range"]["to_s"].get<double>() == Approx(1.45).epsilon(0).margin(1e-9));
    CHECK_THAT(bytes_of_file(figures.recall_page), Contains("0:00.7 to 0:01.45 of the recording"));
}

TEST_CASE("check, balance and audition take a range as they take cut files", "[offline][range][program]") {
    const Folder folder;
    const auto whole = (folder / "whole").string(), cut = (folder / "cut").string();
    REQUIRE(run_program({"demo", whole, "--seconds", "30", "--mics", "8"}).exit_code == 0);
    write_cut(whole, cut, 10 * 48'000, 25 * 48'000);
    auto of_range =
        Json::parse(run_program({"check", whole, "--json", "--from", "0:10", "--to", "25.0"}).out);
    auto of_cut = Json::parse(run_program({"check", cut, "--json"}).out);
    CHECK(of_range["from_s"] == 10.0);
    CHECK(of_range["hits"].size() > 20);
    CHECK(of_range["hits"][0]["time_s"].get<double>() > 10.0);
    count_from(of_range, 10.0), count_from(of_cut, 0.0);
    CHECK(of_range == of_cut);

    const auto balanced = run_program({"balance", whole, "--from", "10", "--to", "25"});
    CHECK(balanced.exit_code == 0);
    CHECK(balanced.out == run_program({"balance", cut}).out);

    for (const auto* take : {"whole", "cut"}) {
        std::vector<std::string> words{"audition", (folder / take).string(),
                                       "--role",   "floor_tom",
                                       "-o",       (folder / (std::string("hear ") + take)).string()};
        if (std::string(take) == "whole") words.insert(words.end(), {"--from", "0:10", "--to", "0:25"});
        CHECK(run_program(words).err == "");
    }
    CHECK(same(read_sound(folder / "hear whole/deadened.wav"), read_sound(folder / "hear cut/deadened.wav")));
}

TEST_CASE("with --apply the balance listens to the range, too", "[offline][range][program]") {
    const Folder folder;
    const auto whole = (folder / "whole").string(), cut = (folder / "cut").string();
    REQUIRE(run_program({"demo", whole, "--seconds", "30", "--mics", "8"}).exit_code == 0);
    write_cut(whole, cut, 10 * 48'000, 25 * 48'000);
    CHECK(run_program({"check", whole, "--apply", "--from", "10", "--to", "25"}).err == "");
    CHECK(run_program({"check", cut, "--apply"}).err == "");
    CHECK(bytes_of_file(folder / "whole/session.json") == bytes_of_file(folder / "cut/session.json"));
}

TEST_CASE("a session remembers its part of the recording, and the command line goes before it",
          "[offline][range][program]") {
    const Folder folder;
    const auto whole = (folder / "whole").string(), cut = (folder / "cut").string();
    REQUIRE(run_program({"demo", whole, "--seconds", "30", "--mics", "8"}).exit_code == 0);
    write_cut(whole, cut, 10 * 48'000, 25 * 48'000);
    const auto song = whole + "/song2.json";
    REQUIRE(run_program({"new", whole, "-o", song, "--from", "0:10", "--to", "25"}).exit_code == 0);
    auto written = Json::parse(bytes_of_file(song));
    CHECK(written["from"] == "0:10");
    CHECK(written["to"] == "0:25");
    written.erase("from"), written.erase("to");
    std::ofstream(cut + "/song2.json") << written.dump();

    CHECK(run_program({"balance", song}).out == run_program({"balance", cut + "/song2.json"}).out);
    const auto take = (folder / "take.wav").string(), again = (folder / "again.wav").string();
    CHECK(run_program({"bounce", song, "-o", take}).err == "");
    CHECK(run_program({"bounce", cut + "/song2.json", "-o", again}).err == "");
    CHECK(same(read_sound(take), read_sound(again)));
    const auto all = Json::parse(run_program({"check", song, "--json", "--from", "0"}).out);
    CHECK(all["seconds"] == 30.0);
    // what is written into the session leaves its part alone
    CHECK(run_program({"check", song, "--apply"}).err == "");
    CHECK(Json::parse(bytes_of_file(song))["from"] == "0:10");
    CHECK(run_program({"check", song, "--json"}).exit_code == 0);
}

TEST_CASE("a part that a session can't have is one line, and no session is made",
          "[offline][range][program]") {
    const Folder folder;
    const auto take = (folder / "take").string();
    REQUIRE(run_program({"demo", take, "--seconds", "5", "--mics", "8"}).exit_code == 0);
    const auto song = take + "/song2.json";
    const auto refused = run_program({"new", take, "-o", song, "--from", "0:05"});
    CHECK(refused.exit_code == 2);
    CHECK_THAT(refused.err, Contains("from 0:05 is beyond the end; the take is 0:05 long"));
    CHECK(!std::filesystem::exists(song));
    auto json = Json::parse(bytes_of_file(take + "/session.json"));
    json["from"] = "0:04", json["to"] = "0:02";
    std::ofstream(song) << json.dump();
    const auto turned = run_program({"check", song});
    CHECK(turned.exit_code == 2);
    CHECK_THAT(turned.err, Contains("song2.json: from 0:04 to 0:02: there is nothing between the two"));
    json["to"] = 2;
    std::ofstream(song) << json.dump();
    CHECK_THAT(run_program({"check", song}).err, Contains("to is 2, but must be"));
}

TEST_CASE("a range that can't be is one line, and nothing is written", "[offline][range][program]") {
    const Folder folder;
    const auto take = (folder / "take").string(), out = (folder / "out.wav").string();
    REQUIRE(run_program({"demo", take, "--seconds", "5", "--mics", "8"}).exit_code == 0);
    const auto before = entries_in(folder);
    const std::vector<std::vector<std::string>> commands{
        {"check", take, "--report", (folder / "r.html").string()},
        {"balance", take},
        {"bounce", take, "-o", out, "--stems", (folder / "stems").string()},
        {"audition", take, "--role", "snare_top", "-o", (folder / "hear").string()}};
    const std::pair<std::vector<std::string>, const char*> ranges[] = {
        {{"--from", "0:04", "--to", "0:02"}, "nothing between"},
        {{"--from", "0:05"}, "from 0:05 is beyond the end; the take is 0:05 long"},
        {{"--to", "1:05"}, "to 1:05 is beyond the end"},
        {{"--from", "soon"}, "--from soon: is no time"}};
    for (const auto& command : commands)
        for (const auto& [range, why] : ranges) {
            auto words = command;
            words.insert(words.end(), range.begin(), range.end());
            const auto run = run_program(words);
            CHECK(run.exit_code == 2);
            CHECK(run.err_lines() == 1);
            CHECK_THAT(run.err, Contains(why));
            CHECK(run.out == "");
        }
    CHECK(entries_in(folder) == before);
}
