// The audition command as a person runs it, and its page in a browser.
#include "files.h"
#include "offline/audio/meters.h"
#include "run_program.h"
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <random>

using namespace kitfold::test;
using Json = nlohmann::json;

namespace {

std::string demo(const Folder& folder, const std::string& name, const std::vector<std::string>& more = {}) {
    const auto path = (folder / name).string();
    std::vector<std::string> arguments{"demo", path, "--seconds", "12", "--mics", "8"};
    arguments.insert(arguments.end(), more.begin(), more.end());
    REQUIRE(run_program(arguments).exit_code == 0);
    return path;
}

kitfold::offline::StereoFigures figures(const std::filesystem::path& file) {
    SF_INFO info{};
    const auto samples = read_sound(file, &info);
    std::vector<float> left, right;
    for (std::size_t n = 0; n < samples.size(); n += static_cast<std::size_t>(info.channels)) {
        left.push_back(samples[n]);
        right.push_back(samples[n + static_cast<std::size_t>(info.channels) - 1]);
    }
    kitfold::offline::StereoMeter meter(info.samplerate);
    meter.add(left.data(), right.data(), left.size());
    return meter.figures();
}

} // namespace

TEST_CASE("audition: four files at one loudness, no peak raised, and a page that works in a browser",
          "[audition]") {
    const Folder folder;
    const auto session = demo(folder, "demo");
    const auto out = folder / "audition";
    const auto run = run_program({"audition", session, "--role", "snare_top", "-o", out.string(), "--json"});
    REQUIRE(run.exit_code == 0);
    const auto json = Json::parse(run.out);
    CHECK(json["drum"] == "snare");
    CHECK(json["hits"].get<int>() > 5);
    CHECK(json["partials"].size() >= 2);

    for (const std::string kind : {"", "kit_"}) {
        const auto open = figures(out / (kind + "open.wav")),
                   deadened = figures(out / (kind + "deadened.wav"));
        CHECK(open.loudness_lufs == Approx(deadened.loudness_lufs).epsilon(0).margin(0.1));
        // neither was turned up: the peak of each is at most what it was, the louder one's less
        const auto* key = kind.empty() ? "drum" : "kit";
        CHECK(json["open"][key]["turned_down_db"].get<double>() >= 0.0);
        CHECK(json["deadened"][key]["turned_down_db"].get<double>() >= 0.0);
    }
    SF_INFO info{};
    const auto original = read_sound(folder / "demo/snare_top.wav");
    const auto open = read_sound(out / "open.wav", &info);
    const double gain = std::pow(10.0, -json["open"]["drum"]["turned_down_db"].get<double>() / 20.0);
    REQUIRE(open.size() == original.size());
    for (std::size_t n = 0; n < open.size(); n += 97) // 24 bits, dithered: 2^-23 and one step of noise
        REQUIRE(double(open[n]) == Approx(gain * double(original[n])).epsilon(0).margin(4e-7));

    const auto page = out / "audition.html", said = folder / "said.txt";
    CHECK(bytes_of_file(page).find("http") == std::string::npos);
    const auto command = "/usr/bin/python3 '" KITFOLD_SOURCE_DIR "/tests/offline/audition_page.py' '" +
                         page.string() + "' '" + (folder / "profile").string() + "' >'" + said.string() +
                         "' 2>&1";
    CHECK(std::system(command.c_str()) == 0);
    CHECK(bytes_of_file(said).empty());
}

TEST_CASE("audition: amount 0 is the recording itself on both sides", "[audition]") {
    const Folder folder;
    const auto session = demo(folder, "demo");
    const auto out = folder / "audition";
    REQUIRE(run_program({"audition", session, "--role", "snare_top", "--amount", "0", "-o", out.string()})
                .exit_code == 0);
    CHECK(bytes_of_file(out / "open.wav") == bytes_of_file(out / "deadened.wav"));
    CHECK(bytes_of_file(out / "kit_open.wav") == bytes_of_file(out / "kit_deadened.wav"));
}

TEST_CASE("audition: a few tom strokes in a groove are enough for the lowest ring, and it says they are few",
          "[audition]") {
    const Folder folder;
    const auto session = (folder / "demo").string();
    REQUIRE(run_program({"demo", session, "--seconds", "20"}).exit_code == 0);
    const auto run = run_program(
        {"audition", session, "--role", "floor_tom", "-o", (folder / "audition").string(), "--json"});
    REQUIRE(run.exit_code == 0);
    const auto json = Json::parse(run.out);
    REQUIRE(json["notices"].size() == 1);
    CHECK(json["notices"][0].get<std::string>().find("six single strokes") != std::string::npos);
    // the kit was built with 82.4 Hz and 980 ms
    REQUIRE(json["partials"].size() >= 3);
    CHECK(json["partials"][0]["hz"].get<double>() == Approx(82.4).epsilon(0.01).margin(0));
    CHECK(json["partials"][0]["open_ring_ms"].get<double>() == Approx(980.0).epsilon(0.1).margin(0));
    CHECK(json["partials"][0]["deadened_ring_ms"].get<double>() ==
          Approx(0.45 * 980.0).epsilon(0.15).margin(0));
}

TEST_CASE("audition: strokes that don't ring are refused with what to record, and nothing is written",
          "[audition]") {
    const Folder folder;
    const auto session = demo(folder, "demo");
    std::vector<float> clicks(48'000 * 12); // 4 ms of noise at every snare stroke and no more
    std::mt19937 random(5);
    std::normal_distribution<float> gauss(0.0f, 0.1f);
    const auto truth = Json::parse(bytes_of_file(folder / "demo/truth.json"));
    for (const auto& hit : truth["hits"])
        if (const auto at = std::size_t(hit["time_s"].get<double>() * 48e3); hit["drum"] == "snare")
            for (auto n = at; n < std::min(clicks.size(), at + 192); ++n) clicks[n] = gauss(random);
    write_sound(folder / "demo/snare_top.wav", clicks, SF_FORMAT_WAV | SF_FORMAT_PCM_24);
    const auto out = folder / "audition";
    const auto run = run_program({"audition", session, "--role", "snare_top", "-o", out.string()});
    INFO(run.err);
    CHECK(run.exit_code == 2);
    CHECK(run.err_lines() == 1);
    CHECK(run.err.find("Record six single strokes of the snare") != std::string::npos);
    CHECK_FALSE(std::filesystem::exists(out));
}

TEST_CASE("audition: opening up stops at the recording's noise, and says so", "[audition]") {
    const Folder folder;
    const auto session = demo(folder, "demo");
    const auto run = run_program({"audition", session, "--role", "snare_top", "--amount", "-1", "-o",
                                  (folder / "audition").string(), "--json"});
    REQUIRE(run.exit_code == 0);
    const auto json = Json::parse(run.out);
    CHECK(json["amount"].get<double>() > -1.0);
    CHECK(json["amount"].get<double>() < 0.0);
    REQUIRE(json["notices"].size() == 1);
    CHECK(json["notices"][0].get<std::string>().find("noise floor") != std::string::npos);
}

TEST_CASE("audition: two real takes, hits side by side", "[audition]") {
    const Folder folder;
    const auto open = demo(folder, "open"), deadened = demo(folder, "deadened", {"--tone", "deadened"});
    const auto out = folder / "audition";
    const auto run = run_program({"audition", "--open", open, "--deadened", deadened, "--role", "snare_top",
                                  "-o", out.string(), "--json"});
    REQUIRE(run.exit_code == 0);
    const auto json = Json::parse(run.out);
    CHECK(json["hits"].get<int>() >= 3);
    CHECK(json["deadened"]["ring_ms"].get<double>() < 0.7 * json["open"]["ring_ms"].get<double>());
    const auto a = figures(out / "open.wav"), b = figures(out / "deadened.wav");
    CHECK(a.loudness_lufs == Approx(b.loudness_lufs).epsilon(0).margin(0.1));
    CHECK(read_sound(out / "open.wav").size() == read_sound(out / "deadened.wav").size());
}

TEST_CASE("audition: bad input gets one line, exit 2 and no files", "[audition]") {
    const Folder folder;
    const auto session = demo(folder, "demo"), other_rate = demo(folder, "rate", {"--rate", "44100"});
    const auto ten = (folder / "ten").string();
    REQUIRE(run_program({"demo", ten, "--seconds", "12", "--mics", "10"}).exit_code == 0);
    const auto out = (folder / "out").string();
    // a take in which the snare mic hears nothing
    auto silent = Json::parse(bytes_of_file(folder / "demo/session.json"));
    write_sound(folder / "demo/none.wav", std::vector<float>(48'000 * 12), SF_FORMAT_WAV | SF_FORMAT_PCM_24);
    for (auto& mic : silent["mics"])
        if (mic["role"] == "snare_top" || mic["role"] == "snare_bottom") mic["file"] = "none.wav";
    write_text(folder / "demo/silent.json", silent.dump());

    struct Case {
        std::vector<std::string> arguments;
        std::string says;
    };
    const std::vector<Case> cases{
        {{session, "--role", "floor_tom_2"}, "no mic has the role floor_tom_2"},
        {{session, "--role", "overhead_left"}, "no drum's close mic"},
        {{session, "--role", "trumpet"}, "not a role"},
        {{(folder / "demo/silent.json").string(), "--role", "snare_top"}, "never hit"},
        {{"--open", session, "--deadened", other_rate, "--role", "snare_top"}, "one rate"},
        {{"--open", session, "--deadened", ten, "--role", "snare_top"}, "different mics"},
        {{"--open", session, "--deadened", session + "/../demo", "--role", "snare_top"}, "given twice"},
        {{"--open", session, "--role", "snare_top"}, "--deadened"},
        {{"--role", "snare_top"}, "SESSION"}};
    for (const auto& wrong : cases) {
        std::vector<std::string> arguments{"audition", "-o", out};
        arguments.insert(arguments.end(), wrong.arguments.begin(), wrong.arguments.end());
        const auto run = run_program(arguments);
        CAPTURE(wrong.says, run.err);
        CHECK(run.exit_code == 2);
        CHECK(run.err_lines() == 1);
        CHECK(run.err.find(wrong.says) != std::string::npos);
        CHECK_FALSE(std::filesystem::exists(out));
    }
}
