// The check as a person runs it, on demo takes and on takes that tell nothing.
#include "bare_pair.h"
#include "files.h"
#include "offline/audio/meters.h"
#include "offline/check/check.h"
#include "offline/check/fix_sounds.h"
#include "offline/demo/demo.h"
#include "run_program.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <numbers>
#include <sstream>

using namespace kitfold;
using namespace kitfold::test;
using Json = nlohmann::ordered_json;
namespace fs = std::filesystem;

namespace {

/// The clean kit, whose answers are known to the sample; `kitfold demo` plays a livelier one.
void make_demo(const fs::path& folder, double seconds, std::uint64_t seed = 3) {
    offline::DemoRequest request;
    request.folder = folder, request.kit.seconds = seconds, request.kit.seed = seed;
    offline::write_demo(request);
}

Json checked(const fs::path& folder, int expected_exit) {
    const auto run = run_program({"check", folder.string(), "--json"});
    CAPTURE(run.err, run.out);
    REQUIRE(run.exit_code == expected_exit);
    CHECK(run.err.empty());
    return Json::parse(run.out);
}

void write_wav(const fs::path& path, const std::vector<float>& x, int rate_hz = 48'000) {
    SF_INFO info{};
    info.samplerate = rate_hz, info.channels = 1, info.format = SF_FORMAT_WAV | SF_FORMAT_FLOAT;
    SNDFILE* file = sf_open(path.c_str(), SFM_WRITE, &info);
    REQUIRE(file != nullptr);
    REQUIRE(sf_write_float(file, x.data(), sf_count_t(x.size())) == sf_count_t(x.size()));
    sf_close(file);
}

/// A session of one or two mics with these samples.
void make_session(const fs::path& folder, const std::vector<std::vector<float>>& mics) {
    const char* roles[] = {"kick_in", "kick_out"};
    Json json = {{"kitfold_session", 1}, {"title", "t"}, {"mics", Json::array()}};
    for (std::size_t m = 0; m < mics.size(); ++m) {
        const auto name = std::string(roles[m]) + ".wav";
        write_wav(folder / name, mics[m]);
        json["mics"].push_back({{"name", roles[m]}, {"role", roles[m]}, {"file", name}});
    }
    write_text(folder / "session.json", json.dump());
}

} // namespace

TEST_CASE("check finds what to fix, --apply writes it, and then there is nothing left", "[check]") {
    const Folder folder;
    make_demo(folder.path(), 30.0);
    auto session = Json::parse(bytes_of_file(folder / "session.json"));
    session["mics"][2]["level_db"] = -1.5;                      // a hand edit
    for (auto& mic : session["mics"]) mic["balanced_db"] = -90; // not what is set: every level is a person's
    session["output"]["balanced_db"] = -90, session["output"]["balanced_threshold_db"] = -50;
    write_text(folder / "session.json", session.dump());
    const auto before = bytes_of_file(folder / "session.json");

    const auto first = checked(folder.path(), 1);
    CHECK(first["kitfold_check"] == 1);
    CHECK(first["rate_hz"] == 48'000.0);
    for (const char* key : {"mics", "hits", "pairs", "bleed", "rings", "image", "worth"})
        CHECK_FALSE(first[key].empty());
    const auto& kick = first["pairs"][0];
    CHECK(kick["a"] == "Kick in");
    CHECK(kick["polarity"] == "opposite");
    CHECK(double(kick["low_gain_after_db"]) > double(kick["low_gain_before_db"]) + 3.0);
    CHECK(bytes_of_file(folder / "session.json") == before); // looking changes nothing

    const auto apply = run_program({"check", folder.path().string(), "--apply"});
    CHECK(apply.exit_code == 1); // there was something
    CHECK(apply.out.find("session.backup.json") != std::string::npos);
    CHECK(bytes_of_file(folder / "session.backup.json") == before);
    const auto fixed = Json::parse(bytes_of_file(folder / "session.json"));
    CHECK(fixed["mics"][2]["level_db"] == -1.5);
    auto without = fixed;
    without.erase("bleed"), without.erase("balance");
    for (auto* json : {&without, &session})
        for (auto& mic : (*json)["mics"]) {
            mic.erase("polarity"), mic.erase("delay_ms");
            mic.erase("balanced_pan"); // the balance's own mark: the pan beside it is compared
            if (mic.contains("gate")) mic["gate"].erase("threshold_db"), mic["gate"].erase("key");
        }
    CHECK(without.dump() == session.dump()); // order included
    for (const auto& mic : fixed["mics"])
        if (mic.contains("delay_ms")) CHECK(double(mic["delay_ms"]) >= 0.0);

    const auto second = checked(folder.path(), 0);
    CHECK(second["fixes"].empty());
    CHECK(double(second["pairs"][0]["low_gain_before_db"]) ==
          Approx(double(kick["low_gain_after_db"])).epsilon(0).margin(0.5));
}

TEST_CASE("check --apply stores the bleed and sets the gates there are, bounce hears the whole kit",
          "[check]") {
    const Folder folder;
    make_demo(folder.path(), 40.0);
    auto session = Json::parse(bytes_of_file(folder / "session.json"));
    for (auto& mic : session["mics"]) mic.erase("gate");
    session["mics"][5] = {{"name", "Floor tom"},
                          {"gate", {{"hold_ms", 40}, {"key", "own"}, {"range_db", -35}}},
                          {"file", session["mics"][5]["file"]},
                          {"role", "floor_tom"}};
    write_text(folder / "session.json", session.dump());
    const auto first = checked(folder.path(), 1);
    const auto& proposals = first["gates"];
    const auto tom = std::find_if(proposals.begin(), proposals.end(),
                                  [](const Json& g) { return g["mic"] == "Floor tom"; });
    REQUIRE(tom != proposals.end());
    CHECK((*tom)["plan"] == "sets");
    CHECK(double((*tom)["margin_db"]) ==
          Approx(double((*tom)["softest_hit_db"]) - double((*tom)["loudest_bleed_db"]))
              .epsilon(0)
              .margin(0.15));
    CHECK(double((*tom)["threshold_db"]) < double((*tom)["softest_hit_db"]));
    CHECK(double((*tom)["threshold_db"]) > double((*tom)["loudest_bleed_db"]));

    const auto apply = run_program({"check", folder.path().string(), "--apply"});
    CHECK(apply.out.find("Floor tom") != std::string::npos);
    const auto fixed = Json::parse(bytes_of_file(folder / "session.json"));
    CHECK_FALSE(fixed["bleed"]["paths"].empty());
    std::size_t gated = 0;
    for (const auto& mic : fixed["mics"]) gated += mic.contains("gate") ? 1 : 0;
    CHECK(gated == 1);
    const Json gate = {
        {"hold_ms", 40}, {"key", "kit"}, {"range_db", -35}, {"threshold_db", (*tom)["threshold_db"]}};
    CHECK(fixed["mics"][5]["gate"].dump() == gate.dump()); // order included

    const auto text = bytes_of_file(folder / "session.json");
    CHECK(checked(folder.path(), 0)["fixes"].empty());
    CHECK(run_program({"check", folder.path().string(), "--apply"}).exit_code == 0);
    CHECK(bytes_of_file(folder / "session.json") == text);
    CHECK_FALSE(fs::exists(folder / "session.backup-2.json"));

    const auto bounce =
        run_program({"bounce", folder.path().string(), "-o", (folder / "mix.wav").string(), "--json"});
    REQUIRE(bounce.exit_code == 0);
    CHECK(bounce.out.find("knows no bleed") == std::string::npos);
    // Struck a few times in a bar at the end of a phrase: open then, shut for the rest.
    CHECK(double(Json::parse(bounce.out)["mics"][5]["gate_open_percent"]) < 25.0);
}

TEST_CASE("what check prints fits 100 columns", "[check]") {
    const Folder folder;
    make_demo(folder.path(), 12.0);
    for (const char* telling : {"--details", "--quiet", ""}) {
        std::vector<std::string> arguments{"check", folder.path().string()};
        if (*telling != '\0') arguments.emplace_back(telling);
        const auto run = run_program(arguments);
        std::size_t start = 0;
        for (auto end = run.out.find('\n'); end != std::string::npos;
             start = end + 1, end = run.out.find('\n', start)) {
            CAPTURE(run.out.substr(start, end - start));
            CHECK(end - start <= 100);
        }
    }
}

namespace {

std::vector<std::string> lines_of(const std::string& text) {
    std::vector<std::string> out;
    std::istringstream in(text);
    for (std::string line; std::getline(in, line);) out.push_back(line);
    return out;
}

std::ptrdiff_t count_starting(const std::vector<std::string>& lines, const std::string& start) {
    return std::count_if(lines.begin(), lines.end(),
                         [&](const auto& line) { return line.starts_with(start); });
}

} // namespace

TEST_CASE("check begins with its verdict, tells five things to do and a line for each mic", "[check]") {
    const Folder folder;
    make_demo(folder.path(), 30.0); // in which a turned cable was laid
    const auto json = checked(folder.path(), 1);
    const auto verdict = json["verdict"].get<std::string>();
    CHECK(verdict.starts_with("Not ready: "));
    const auto fixes = std::count_if(json["findings"].begin(), json["findings"].end(),
                                     [](const Json& f) { return f["weight"] == "fix"; });
    CHECK(verdict.find(std::to_string(fixes) + " thing") != std::string::npos);

    const auto quiet = run_program({"check", folder.path().string(), "--quiet"});
    CHECK(quiet.out == verdict + "\n");
    CHECK(quiet.exit_code == 1);

    const auto plain = run_program({"check", folder.path().string()});
    CHECK(plain.out.find('\033') == std::string::npos); // colour is for terminals
    const auto lines = lines_of(plain.out);
    CHECK(lines[0] == verdict);
    const auto gap = std::find(lines.begin() + 3, lines.end(), "");
    const std::vector<std::string> to_do(lines.begin(), gap), mics(gap + 1, lines.end());
    CHECK(count_starting(to_do, "FIX ") + count_starting(to_do, "LOOK") <= 5);
    CHECK(count_starting(to_do, "FIX ") == std::min<std::ptrdiff_t>(fixes, 5));
    REQUIRE(mics.size() >= json["mics"].size());
    for (const auto& fix : json["fixes"]) // what --apply writes stands in its mic's line
        CHECK(count_starting(mics, "FIX  " + fix["mic"].get<std::string>()) == 1);
    for (const auto& mic : json["mics"])
        CHECK(count_starting(mics, "FIX  " + mic["name"].get<std::string>()) +
                  count_starting(mics, "LOOK " + mic["name"].get<std::string>()) +
                  count_starting(mics, "good " + mic["name"].get<std::string>()) ==
              1);
    const auto details = run_program({"check", folder.path().string(), "--details"});
    CHECK(lines_of(details.out)[0] == verdict);
    CHECK(details.out.find("Bleed, dB") != std::string::npos);
    CHECK(plain.out.find("Bleed, dB") == std::string::npos);
}

TEST_CASE("a terminal gets colour, unless NO_COLOR is set", "[check]") {
    if (std::system("command -v script >/dev/null 2>&1") != 0)
        return; // of util-linux: a terminal to write to
    const Folder folder;
    make_demo(folder.path(), 8.0);
    const auto typed = folder / "typed.txt";
    const auto shown = [&](const std::string& environment) {
        const auto command = environment + " script -qec '" KITFOLD_PROGRAM " check " +
                             folder.path().string() + " --quiet' /dev/null >'" + typed.string() +
                             "' 2>&1 </dev/null";
        (void)std::system(command.c_str());
        return bytes_of_file(typed);
    };
    CHECK(shown("TERM=xterm NO_COLOR=").find("\033[1m") != std::string::npos);
    CHECK(shown("TERM=xterm NO_COLOR=1").find("\033[1m") == std::string::npos);
    CHECK(shown("TERM=dumb NO_COLOR=").find("\033[1m") == std::string::npos);
}

TEST_CASE("takes that tell nothing get no made-up figure", "[check]") {
    const Folder folder;
    std::vector<std::vector<float>> mics(2, std::vector<float>(48'000 * 3));
    SECTION("silence") {}
    SECTION("0.2 s of silence") { mics.assign(2, std::vector<float>(9'600)); }
    SECTION("one sample") { mics.assign(1, std::vector<float>(1, 0.1f)); }
    SECTION("noise") {
        std::uint32_t x = 1;
        for (auto& mic : mics)
            for (auto& v : mic) v = float(std::int32_t(x = x * 1'664'525u + 1'013'904'223u)) * 1e-11f;
    }
    make_session(folder.path(), mics);
    const auto run = run_program({"check", folder.path().string(), "--json"});
    CAPTURE(run.err);
    REQUIRE((run.exit_code == 0 || run.exit_code == 1));
    const auto json = Json::parse(run.out);
    CHECK(json["hits"].empty());
    CHECK(json["rings"].empty());
    for (const auto& pair : json["pairs"]) CHECK(pair["delay_ms"].is_null());
    CHECK(run_program({"check", folder.path().string(), "--report", (folder / "page.html").string()})
              .exit_code == run.exit_code);
}

TEST_CASE("check names a file that is missing and a rate that does not fit", "[check]") {
    const Folder folder;
    make_session(folder.path(), {std::vector<float>(48'000, 0.0f), std::vector<float>(48'000, 0.0f)});
    SECTION("missing") {
        fs::remove(folder / "kick_out.wav");
        const auto run = run_program({"check", folder.path().string()});
        CHECK(run.exit_code == 2);
        CHECK(run.err_lines() == 1);
        CHECK(run.err.find("kick_out.wav") != std::string::npos);
        CHECK(run.out.empty());
    }
    SECTION("rate") {
        write_wav(folder / "kick_out.wav", std::vector<float>(44'100, 0.0f), 44'100);
        const auto json = checked(folder.path(), 1);
        std::size_t rates = 0;
        for (const auto& mic : json["mics"])
            for (const auto& fault : mic["faults"]) rates += fault["kind"] == "rate" ? 1u : 0u;
        CHECK(rates == 1);
    }
}

TEST_CASE("a fix is heard before and after at the same loudness, and no louder than it is", "[check]") {
    const Folder folder;
    make_demo(folder.path(), 20.0);
    const auto session = offline::load_session(folder.path());
    const auto result = offline::check(session);
    const auto sounds = offline::fix_sounds(session, result);
    REQUIRE_FALSE(result.fixes.empty());
    REQUIRE_FALSE(sounds.empty());
    const auto loudness_lufs = [&](const std::vector<std::int16_t>& pcm) {
        std::vector<float> mono;
        for (const auto v : pcm) mono.push_back(float(v) / 32'768.0f);
        offline::StereoMeter meter(int(result.rate_hz));
        meter.add(mono.data(), mono.data(), mono.size());
        return meter.figures().loudness_lufs;
    };
    for (const auto& sound : sounds) {
        CHECK(loudness_lufs(sound.before) == Approx(loudness_lufs(sound.after)).epsilon(0).margin(0.2));
        CHECK(sound.before.size() == sound.after.size());
        CHECK(sound.before != sound.after);
        CHECK(std::count(sound.after.begin(), sound.after.end(), 32'767) == 0);
    }
}

TEST_CASE("the report opens in a browser without an error and has every plot", "[check]") {
    const Folder folder;
    make_demo(folder.path(), 20.0);
    auto session = Json::parse(bytes_of_file(folder / "session.json"));
    session["title"] = "<script>alert(1)</script> & \"co\"";
    write_text(folder / "session.json", session.dump());
    const auto page = folder / "page.html";
    REQUIRE(run_program({"check", folder.path().string(), "--report", page.string()}).exit_code == 1);
    const auto html = bytes_of_file(page);
    CHECK(html.size() < 4'000'000);
    CHECK(html.find("<script>alert") == std::string::npos);
    const auto checked = Json::parse(run_program({"check", folder.path().string(), "--json"}).out);
    CHECK((html.find("Hear before") != std::string::npos) == !checked["fixes"].empty());
    for (const char* scheme : {"http:", "https:"}) CHECK(html.find(scheme) == std::string::npos);
    const auto dom = folder / "dom.html", log = folder / "log.txt";
    const auto command =
        "/usr/bin/chromium --headless --no-sandbox --disable-gpu --disable-background-networking "
        "--user-data-dir='" +
        (folder / "profile").string() + "' --enable-logging=stderr --dump-dom 'file://" + page.string() +
        "' >'" + dom.string() + "' 2>'" + log.string() + "'";
    REQUIRE(std::system(command.c_str()) == 0);
    CHECK(bytes_of_file(log).find("CONSOLE") == std::string::npos);
    const auto seen = bytes_of_file(dom);
    for (const char* id : {"plot-take", "plot-mics", "plot-pairs", "plot-bleed", "plot-ring", "plot-image",
                           "plot-worth", "plot-gates"})
        CHECK(seen.find("id=\"" + std::string(id) + "\"") != std::string::npos);
}

namespace {

const Json& pair_of(const Json& check, const std::string& a, const std::string& b) {
    for (const auto& p : check["pairs"])
        if (p["a"] == a && p["b"] == b) return p;
    FAIL("no pair " << a << " / " << b);
    return check;
}

} // namespace

TEST_CASE("the low end that check foretells is the low end that bounce writes, to 0.5 dB", "[check]") {
    struct {
        const char *a, *b, *role_a, *role_b, *drum;
    } pair;
    SECTION("kick") { pair = {"Kick in", "Kick out", "kick_in", "kick_out", "kick"}; }
    SECTION("snare") { pair = {"Snare top", "Snare bottom", "snare_top", "snare_bottom", "snare"}; }
    const Folder folder;
    make_demo(folder.path(), 30.0, 471);
    bare_pair(folder.path(), pair.role_a, pair.role_b);
    const auto check = checked(folder.path(), 1);
    const auto foretold = pair_of(check, pair.a, pair.b);
    auto hits = hits_of(check, pair.drum);
    const auto apart = low_energy(read_sound(folder / (std::string(pair.role_a) + ".wav")), hits) +
                       low_energy(read_sound(folder / (std::string(pair.role_b) + ".wav")), hits);
    const auto bounced = [&] { return gain_in_bounce(folder.path(), hits, apart); };
    CHECK(bounced() == Approx(double(foretold["low_gain_before_db"])).epsilon(0).margin(0.5));
    REQUIRE(run_program({"check", folder.path().string(), "--apply"}).exit_code == 1);
    for (auto& h : hits) h += std::max(0.0, double(foretold["delay_ms"])) / 1'000.0; // the earlier mic waits
    CHECK(bounced() == Approx(double(foretold["low_gain_after_db"])).epsilon(0).margin(0.5));
}

TEST_CASE("check --apply tells what is heard at the levels that it wrote", "[check]") {
    const Folder folder;
    make_demo(folder.path(), 20.0);
    const auto told = Json::parse(run_program({"check", folder.path().string(), "--apply", "--json"}).out);
    const auto again = checked(folder.path(), 0);
    CHECK(told["worth"] == again["worth"]);
}

TEST_CASE("after --apply the low end at balanced levels is as check foretells, to 0.5 dB", "[check]") {
    struct {
        const char *a, *b, *role_a, *role_b, *drum;
    } pair;
    SECTION("kick") { pair = {"Kick in", "Kick out", "kick_in", "kick_out", "kick"}; }
    SECTION("snare") { pair = {"Snare top", "Snare bottom", "snare_top", "snare_bottom", "snare"}; }
    const Folder folder;
    make_demo(folder.path(), 30.0, 471);
    REQUIRE(run_program({"check", folder.path().string(), "--apply"}).exit_code == 1);
    auto session = Json::parse(bytes_of_file(folder / "session.json"));
    for (auto& mic : session["mics"]) {
        for (const char* block : {"filters", "gate", "damp"}) mic.erase(block);
        mic["pan"] = 0;
    }
    session["sum"] = {{"pan_law_db", 0}};
    session.erase("bus");
    session["output"] = {{"bits", 32}, {"level_db", 0}};
    write_text(folder / "session.json", session.dump());
    const auto check = checked(folder.path(), 0);
    auto hits = hits_of(check, pair.drum);
    const auto heard = [&](std::initializer_list<const char*> roles) {
        auto alone = session;
        for (auto& mic : alone["mics"])
            mic["mute"] =
                std::none_of(roles.begin(), roles.end(), [&](const char* r) { return mic["role"] == r; });
        write_text(folder / "session.json", alone.dump());
        REQUIRE(
            run_program({"bounce", folder.path().string(), "-o", (folder / "mix.wav").string()}).exit_code ==
            0);
        const auto x = read_sound(folder / "mix.wav");
        std::vector<float> left;
        for (std::size_t n = 0; n < x.size(); n += 2) left.push_back(x[n]);
        return low_energy(left, hits);
    };
    const double together = heard({pair.role_a, pair.role_b});
    const double gain_db = 10.0 * std::log10(together / (heard({pair.role_a}) + heard({pair.role_b})));
    CHECK(gain_db ==
          Approx(double(pair_of(check, pair.a, pair.b)["low_gain_before_db"])).epsilon(0).margin(0.5));
}

namespace {

std::size_t faults_of(const Json& check, const std::string& mic, const std::string& kind) {
    std::size_t count = 0;
    for (const auto& m : check["mics"])
        if (m["name"] == mic)
            for (const auto& f : m["faults"]) count += f["kind"] == kind ? 1u : 0u;
    return count;
}

} // namespace

TEST_CASE("what was patched wrong is found through the program: overheads, polarity, a few clipped samples",
          "[check]") {
    const Folder folder;
    make_demo(folder.path(), 30.0, 472);
    const auto before = run_program({"check", folder.path().string(), "--json"});
    const auto clean = Json::parse(before.out);
    for (const char* mic : {"Overhead left", "Overhead right"})
        CHECK(faults_of(clean, mic, "channel_order") == 0);
    SECTION("overheads exchanged") {
        auto session = Json::parse(bytes_of_file(folder / "session.json"));
        for (auto& mic : session["mics"])
            if (mic["role"] == "overhead_left" || mic["role"] == "overhead_right")
                mic["file"] = mic["role"] == "overhead_left" ? "overhead_right.wav" : "overhead_left.wav";
        write_text(folder / "session.json", session.dump());
        const auto check = checked(folder.path(), 1);
        CHECK(faults_of(check, "Overhead left", "channel_order") == 1);
        CHECK(faults_of(check, "Overhead right", "channel_order") == 1);
    }
    SECTION("toms exchanged: nothing is written under a wrong name") {
        const auto patched = [&](const char* rack, const char* floor) {
            auto session = Json::parse(bytes_of_file(folder / "session.json"));
            for (auto& mic : session["mics"])
                if (mic["role"] == "rack_tom")
                    mic["file"] = rack;
                else if (mic["role"] == "floor_tom")
                    mic["file"] = floor;
            write_text(folder / "session.json", session.dump());
        };
        patched("floor_tom.wav", "rack_tom.wav");
        const auto kept = bytes_of_file(folder / "session.json");
        const auto run = run_program({"check", folder.path().string(), "--apply"});
        CHECK(run.exit_code == 1);
        CHECK_THAT(run.out, Catch::Matchers::Contains("Rack tom: sounds like floor tom") &&
                                Catch::Matchers::Contains("Nothing was written"));
        CHECK(bytes_of_file(folder / "session.json") == kept);
        patched("rack_tom.wav", "floor_tom.wav");
        CHECK(faults_of(checked(folder.path(), 1), "Rack tom", "channel_order") == 0);
    }
    SECTION("two cables turned over") {
        const auto polarity = [&](const Json& check, const char* mic) {
            return faults_of(check, mic, "polarity") == 1;
        };
        for (const char* file : {"rack_tom.wav", "snare_top.wav"}) {
            auto x = read_sound(folder / file);
            for (auto& v : x) v = -v;
            write_wav(folder / file, x);
        }
        const auto check = checked(folder.path(), 1);
        for (const auto& m : clean["mics"]) { // as before, but for these two
            const std::string name = m["name"];
            const bool turned = name == "Rack tom" || name == "Snare top";
            INFO(name);
            CHECK((polarity(check, name.c_str()) != polarity(clean, name.c_str())) == turned);
        }
        REQUIRE(run_program({"check", folder.path().string(), "--apply"}).exit_code == 1);
        CHECK(checked(folder.path(), 0)["fixes"].empty());
    }
}

TEST_CASE("four mics are enough, sixteen are not too many", "[check]") {
    const Folder folder;
    make_demo(folder.path(), 30.0, 473);
    auto session = Json::parse(bytes_of_file(folder / "session.json"));
    auto mics = Json::array();
    SECTION("four") {
        for (const auto& mic : session["mics"])
            if (mic["role"] == "kick_in" || mic["role"] == "snare_top" || mic["role"] == "overhead_left" ||
                mic["role"] == "overhead_right")
                mics.push_back(mic);
    }
    SECTION("sixteen") {
        mics = session["mics"];
        std::uint32_t seed = 7;
        for (int extra = 1; extra <= 6; ++extra) { // more mics in the room, each further away
            auto x = read_sound(folder / "room_mono.wav");
            for (std::size_t n = x.size(); n-- > 0;) {
                const auto late = std::size_t(150 * extra);
                const auto noise = float(std::int32_t(seed = seed * 1'664'525u + 1'013'904'223u)) * 5e-14f;
                x[n] = 0.8f * (n < late ? 0.0f : x[n - late]) + noise;
            }
            const auto name = "Far " + std::to_string(extra);
            write_wav(folder / (name + ".wav"), x);
            mics.push_back({{"name", name}, {"role", "other"}, {"file", name + ".wav"}});
        }
    }
    session["mics"] = mics;
    write_text(folder / "session.json", session.dump());
    const auto run = run_program({"check", folder.path().string(), "--json"});
    REQUIRE((run.exit_code == 0 || run.exit_code == 1));
    const auto check = Json::parse(run.out);
    CHECK(check["mics"].size() == mics.size());
    const auto truth = Json::parse(bytes_of_file(folder / "truth.json"));
    std::size_t strokes = 0, hits = 0;
    for (const auto& h : truth["hits"]) strokes += h["drum"] == "kick" ? 1u : 0u;
    for (const auto& h : check["hits"]) hits += h["drum"] == "kick" ? 1u : 0u;
    CHECK(double(hits) == Approx(double(strokes)).epsilon(0).margin(0.05 * double(strokes) + 1.0));
    const auto& snare = pair_of(check, "Snare top", "Overhead left");
    REQUIRE(snare["delay_ms"].is_number());
    for (const auto& mic : check["mics"])
        for (const auto& f : mic["faults"]) CHECK(f["kind"] == "polarity");
    for (const auto& row : check["image"]) // a figure, or an honest nothing
        CHECK(row["level_difference_db"].is_number() == (double(row["confidence"]) >= 0.5));
    const auto table = run_program({"check", folder.path().string(), "--details"});
    CHECK(table.out.find("Snare top / Overhead left") != std::string::npos);
}

TEST_CASE("one hit, or one mic, is no pair", "[check]") {
    const Folder folder;
    std::vector<std::vector<float>> mics(2, std::vector<float>(48'000 * 3));
    std::uint32_t seed = 1;
    const auto hit = [](std::vector<float>& x, std::size_t at) {
        for (std::size_t n = 0; n < 9'600; ++n)
            x[at + n] += float(0.5 * std::exp(-double(n) / 2'400.0) *
                               std::sin(2.0 * std::numbers::pi * 60.0 * double(n) / 48'000.0));
    };
    for (auto& mic : mics)
        for (auto& v : mic) v = float(std::int32_t(seed = seed * 1'664'525u + 1'013'904'223u)) * 5e-14f;
    SECTION("one hit") {
        for (auto& mic : mics) hit(mic, 48'000);
    }
    SECTION("one mic") {
        mics.resize(1);
        for (std::size_t at = 12'000; at < 120'000; at += 24'000) hit(mics[0], at);
    }
    make_session(folder.path(), mics);
    const auto run = run_program({"check", folder.path().string(), "--json"});
    CAPTURE(run.err);
    REQUIRE((run.exit_code == 0 || run.exit_code == 1));
    const auto check = Json::parse(run.out);
    for (const auto& pair : check["pairs"]) {
        CHECK(pair["delay_ms"].is_null());
        CHECK(pair["polarity"].is_null());
        CHECK_FALSE(pair["why_not"].get<std::string>().empty());
    }
    CHECK(check["bleed"].size() <= 1); // the drum in its own mic
    CHECK(check["image"].empty());
    CHECK(check["fixes"].empty());
}
