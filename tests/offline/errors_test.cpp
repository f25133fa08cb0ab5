#include "offline/util/errors.h"
#include <catch2/catch.hpp>
#include <filesystem>
#include <new>

using namespace kitfold::offline;

TEST_CASE("what libraries throw is told in one line of ours", "[errors]") {
    CHECK(line_for(bad_input("kit.wav: is no audio file")) == "kit.wav: is no audio file");
    CHECK(line_for(std::bad_alloc()) == "there is not enough memory");
    const std::filesystem::filesystem_error full("cannot write", "take/kick.wav",
                                                 std::make_error_code(std::errc::no_space_on_device));
    CHECK(line_for(full) == "take/kick.wav: No space left on device");
    const auto no_thread = std::make_error_code(std::errc::resource_unavailable_try_again);
    CHECK(line_for(std::system_error(no_thread)) == "the system gives no more memory or threads");
    CHECK(line_for(std::runtime_error("two\nlines")).find('\n') == std::string::npos);
}
